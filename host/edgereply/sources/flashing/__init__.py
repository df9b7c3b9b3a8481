"""Putting the pulse source's firmware onto a chip: images that ship with the package, and the two ways onto a board."""
