"""A measurement on the terminal while it runs."""

import contextlib
from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from edgereply.console.live import LiveView
from edgereply.console.stage import Stage
from edgereply.run import Tally, Watcher
from edgereply.settings import Bench
from edgereply.sources.base import SourceBatch
from edgereply.stamps import RISE, STIMULUS


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

    def watch(tally: Tally, batch: SourceBatch | None) -> None:
        missed = max(0, tally.stimuli - tally.rises - 1)
        view.update(tally.elapsed_s, tally.stimuli, tally.expected, None, missed, soon_answered(batch))

    with view:
        yield watch


def soon_answered(batch: SourceBatch | None) -> NDArray[np.int64]:
    """Reaction times of the answers that directly follow their stimulus in one batch: enough to watch by.

    Returns:
        int64 nanoseconds. Late answers that come after the next stimulus are left to the evaluation.
    """
    if batch is None or not len(batch.kind):
        return np.empty(0, np.int64)
    edges = batch.kind <= RISE
    kind, at = batch.kind[edges], batch.at_ns[edges]
    follows = (kind[:-1] == STIMULUS) & (kind[1:] == RISE)
    answered: NDArray[np.int64] = (at[1:] - at[:-1])[follows]
    return answered
