"""Runs into files for other programs. Nothing here changes a run."""
