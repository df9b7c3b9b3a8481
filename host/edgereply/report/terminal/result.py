"""The result of a command, on stdout: what a person pipes into a file or a pager."""

from collections.abc import Sequence

from edgereply.evaluation.run_view import RunView
from edgereply.report.terminal.console import stdout_console
from edgereply.report.terminal.tables import show_summary


def print_result(views: Sequence[RunView]) -> None:
    """Print the table and the distributions of some runs to stdout.

    Args:
        views: one or more runs.
    """
    show_summary(views, stdout_console())
