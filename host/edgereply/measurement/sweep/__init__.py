"""Sweeps: many conditions of one bench, measured in interleaved blocks that a crash or Ctrl-C cannot spoil.

Boards that share a source or a computer take turns; each such group is a lane in a thread of its own, or in the main
one where there is only one. Signals set an event that the watcher of each run looks at: an exception in the middle of
`Thread.join` would have the interpreter take a living thread for dead.
"""
