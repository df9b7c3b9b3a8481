"""Finished runs on the terminal."""

from collections.abc import Sequence
from pathlib import Path

from edgereply.by_pieces import words
from edgereply.cli.prose import tell
from edgereply.console.result import print_result
from edgereply.run_reader import RunReader
from edgereply.views import load_view


def show_runs(directories: Sequence[Path]) -> None:
    """Print the table of some runs, computed from their raw stamps; of one evaluated by pieces, what it came to then.

    Raises:
        DataError: a run cannot be read.
    """
    short = []
    for directory in directories:
        record = RunReader(directory).record
        if "by_pieces" in record.summary:
            tell(f"{directory} ({'virtual, ' if record.virtual else ''}{record.evidence})")
            for line in words(record.summary):
                tell(line)
        else:
            short.append(load_view(directory))
    if short:
        print_result(short)
