"""Do the tests notice: guards taken out one at a time, and seeded small changes of the sources.

`python -m tests.mutation guards` takes out every guard that `guards.toml` lists, in a copy of the tree, and runs the
test that is said to fail. `python -m tests.mutation` changes the sources at random, runs the nearest tests, and prints
how many changes were noticed, by folder.
"""
