"""Input nobody would send on purpose, for everything that is read from a board, a port or a file."""
