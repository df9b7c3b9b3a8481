"""Ways to an instrument that are no serial device of this computer, and what all of them have in common."""
