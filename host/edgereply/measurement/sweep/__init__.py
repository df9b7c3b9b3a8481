"""Sweeps: many conditions of one bench, measured in interleaved blocks that a crash or Ctrl-C cannot spoil."""
