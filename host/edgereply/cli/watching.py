"""A measurement on the terminal while it runs."""

import contextlib
from collections.abc import Callable, Iterator

from edgereply.console.live import LiveView
from edgereply.console.stage import Stage
from edgereply.run import Tally, Watcher
from edgereply.running import RunningPairs
from edgereply.settings import Bench
from edgereply.sources.base import SourceBatch


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
    virtual = source.kind == "virtual" or source.virtual
    view = LiveView(label or f"{name} · {settings.how}", "measuring", virtual, bench.deadline, whole=whole, stage=stage)

    pairs, missed = RunningPairs(bench.stimulus.window), 0

    def watch(tally: Tally, batch: SourceBatch | None) -> None:
        nonlocal missed
        settled = pairs.add(batch)
        missed += settled.missed
        shown = missed if tally.captures else None
        view.update(tally.elapsed_s, tally.stimuli, tally.expected, None, shown, settled.reaction_ns)

    with view:
        yield watch
