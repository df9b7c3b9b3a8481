"""The program on the board: answers edges and reports when it did."""

__version__ = "0.1.0"
