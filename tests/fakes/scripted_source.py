"""A pulse source that plays a given list of batches."""

from collections.abc import Callable, Iterable

import numpy as np

from edgereply.sources.base import SourceBatch, SourceIdentity, StimulusPlan

Step = SourceBatch | None | BaseException | Callable[[], SourceBatch | None]


def batch(edges: Iterable[tuple[int, int]], done: bool = False, lost: int = 0) -> SourceBatch:
    """A batch of (kind, at_ns)."""
    pairs = list(edges)
    return SourceBatch(
        kind=np.array([kind for kind, _ in pairs], np.uint8),
        at_ns=np.array([at for _, at in pairs], np.int64),
        lost=lost,
        done=done,
    )


class ScriptedSource:
    """Plays its steps one a read; a step that is an exception is raised."""

    def __init__(self, steps: Iterable[Step], captures: bool = True) -> None:
        self.identity = SourceIdentity(
            kind="virtual", model="scripted", serial="0", firmware="0", tick_hz=16_000_000, tolerance_ppm=50.0,
            captures=captures, virtual=True,
        )  # fmt: skip
        self.calls: list[str] = []
        self._steps = list(steps)

    def arm(self, plan: StimulusPlan) -> StimulusPlan:
        self.calls.append("arm")
        return plan

    def start(self) -> None:
        self.calls.append("start")

    def read(self, timeout_s: float) -> SourceBatch | None:
        step = self._steps.pop(0) if self._steps else None
        if isinstance(step, BaseException):
            raise step
        return step() if callable(step) else step

    def abort(self) -> None:
        self.calls.append("abort")

    def drop_rest(self) -> None:
        """Forget the steps that were not played."""
        self._steps.clear()

    def level(self) -> int | None:
        return 0

    def close(self) -> None:
        self.calls.append("close")
