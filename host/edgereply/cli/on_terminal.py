"""A measurement on the terminal while it runs, and the runs once they are finished."""

import contextlib
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from edgereply.config.choices import SOURCES
from edgereply.config.settings import Bench
from edgereply.evaluation.by_pieces import words
from edgereply.evaluation.load_view import load_view
from edgereply.measurement.live_pairs import LivePairs
from edgereply.measurement.run import Tally, Watcher
from edgereply.report.terminal.live import LiveView
from edgereply.report.terminal.result import print_result
from edgereply.report.terminal.stage import Stage
from edgereply.sources.base import SourceBatch
from edgereply.storage.run_reader import RunReader
from edgereply.wording.folding import tell


@contextlib.contextmanager
def watching(
    bench: Bench, board: str, label: str = "", whole: Callable[[], str] | None = None, stage: Stage | None = None
) -> Iterator[Watcher]:
    """A live view fed by the run.

    Args:
        label: what is measured, in place of the board and how it answers.
        whole: says how far the series is that the run belongs to.
        stage: where several measurements are watched at the same time.
    """
    name, settings = bench.pick(board)
    source = bench.source_of(name)
    virtual = SOURCES[source.kind].virtual or source.virtual
    view = LiveView(label or f"{name} · {settings.how}", "measuring", virtual, bench.deadline, whole=whole, stage=stage)

    pairs, missed = LivePairs(bench.stimulus.window), 0

    def watch(tally: Tally, batch: SourceBatch | None) -> None:
        nonlocal missed
        settled = pairs.add(batch)
        missed += settled.missed
        shown = missed if tally.captures else None
        view.update(tally.elapsed_s, tally.stimuli, tally.expected, None, shown, settled.reaction_ns)

    with view:
        yield watch


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
