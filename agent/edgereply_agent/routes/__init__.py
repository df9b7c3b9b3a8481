"""Ways to reach the lines of a board."""
