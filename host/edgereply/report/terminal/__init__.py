"""What people read while and after measuring: the only package that knows rich. Imported when something is shown.

Everything goes to stderr unless a console is given; stdout belongs to `--json`. Each module is imported by itself: what
prints a finished run has no use for the live view.
"""
