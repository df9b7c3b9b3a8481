"""The program on the board: answers edges and reports when it did."""
