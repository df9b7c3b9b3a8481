"""Finished runs on the terminal."""

from collections.abc import Sequence
from pathlib import Path

from edgereply.console.result import print_result
from edgereply.views import load_view


def show_runs(directories: Sequence[Path]) -> None:
    """Print the table of some runs, computed from their raw stamps.

    Raises:
        DataError: a run cannot be read.
    """
    print_result([load_view(directory) for directory in directories])
