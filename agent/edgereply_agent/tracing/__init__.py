"""What the board's kernel did beside late answers: recorded by its own event rings, read by a process of its own.

`instance` switches a private ring on and off, `pages` reads what is in it, `selection` says which answers are looked
at and how much of that, `stretches` cuts the events beside one answer out, `recorder` is the process.
"""
