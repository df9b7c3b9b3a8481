"""Measuring until a quantile is known well enough: the sequential rule of `analysis.sequential`, fed by a run.

Why stopping this way is fair: the looks are planned beforehand and share the chance of error, so that with the stated
confidence none of their intervals is wrong, also the one at which the run stopped.
"""

import re
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.statistics.sequential import Look, Stopping, look_count, may_stop
from edgereply.errors import SettingError
from edgereply.measurement.live_pairs import LivePairs
from edgereply.sources.base import SourceBatch
from edgereply.wording.numbers import duration

_WORDS = re.compile(r"\s*(?:median|p(\d{1,2}(?:\.\d+)?))\s+within\s+(\d+(?:\.\d+)?)\s*%\s*")


@dataclass(frozen=True, slots=True)
class Goal:
    """A quantile and how well it must be known: `within` is a fraction of its value."""

    p: float
    within: float


def parse_goal(text: str) -> Goal:
    """Read "p99.9 within 5%" or "median within 1 %".

    Raises:
        SettingError: anything else.
    """
    match = _WORDS.fullmatch(text)
    p = 0.5 if match and match[1] is None else float(match[1]) / 100 if match else 0.0
    within = float(match[2]) / 100 if match else 0.0
    if not 0 < p < 1 or not within > 0:
        raise SettingError(f"{text!r} is not a goal", where="--until", remedy="write it like 'p99.9 within 5%'")
    return Goal(p, within)


class StoppingRule:
    """Collects the answers of a run and says when the goal is reached. Looks are computed beside the run, in a thread.

    The answers are those of `LivePairs`: of the last `window_ns` none, since their pairing may still change.
    """

    def __init__(self, goal: Goal, window_ns: int, confidence: float = 0.95, executor: Executor | None = None) -> None:
        self._goal, self._confidence = goal, confidence
        self._pairs = LivePairs(window_ns)
        self._reactions: list[Int64s] = [np.empty(0, np.int64)]
        self._answers = 0
        self._next = look_count(1, goal.p, confidence)
        self._executor = executor or ThreadPoolExecutor(1)
        self._looking: Future[Stopping] | None = None
        self.last: Look | None = None

    def __call__(self, batch: SourceBatch | None) -> bool:
        """Take in a batch; True once the goal is reached."""
        settled = self._pairs.add(batch).reaction_ns
        self._reactions.append(settled)
        self._answers += len(settled)
        if self._looking is not None and self._looking.done():
            stopping = self._looking.result()
            self._looking = None
            self.last = stopping.looks[-1] if stopping.looks else None
            self._next = max(stopping.next_count, self._answers + 1 if not stopping.looks else 0)
            if stopping.stop:
                self._executor.shutdown()
                return True
        if self._looking is None and self._answers >= self._next:
            self._reactions = [np.concatenate(self._reactions)]
            goal = self._goal
            self._looking = self._executor.submit(may_stop, self._reactions[0], goal.p, goal.within, self._confidence)
        return False

    def sentence(self) -> str:
        """How well the quantile is known at the last look."""
        name = "median" if self._goal.p == 0.5 else f"p{100 * self._goal.p:g}"
        look = self.last
        if look is None or look.value_ns is None:
            first = look_count(1, self._goal.p, self._confidence)
            return f"{name}: no look was possible yet, the first takes {first:,} answers"
        if look.low_ns is None or look.high_ns is None:
            return (
                f"{name} within {self._goal.within:.1%}: not reached at {look.count:,} answers: "
                f"{duration(look.value_ns)} is rough, since slow answers came in too few groups so far"
            )
        within = f"{duration(look.low_ns)} to {duration(look.high_ns)}"
        reached = "reached" if look.precise else "not reached"
        return (
            f"{name} within {self._goal.within:.1%}: {reached} at {look.count:,} answers, look {look.number}: "
            f"{duration(look.value_ns)} ({within}); the looks together err with at most {1 - self._confidence:.0%}"
        )
