"""Stimuli that keep step with a tick sample only one moment of it, and hide or exaggerate what it does."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.chunks import chunks
from edgereply.analysis.lateness.known_causes import SUSPECTS, Suspect

# A mean resultant this long leaves most of the cycle without stimuli.
_LOCKED_FROM = 0.5
_FEWEST = 30
# Of a rhythm's cycle; what the board does in the rest of it may be most of what it does.
_SEEN_ENOUGH = 0.75


@dataclass(frozen=True, slots=True, kw_only=True)
class Lock:
    """One rhythm that the stimuli keep step with.

    Attributes:
        period_ns: of the rhythm.
        suspect: whose rhythm it is; None for the stimuli's own period.
        resultant: mean resultant length of the phases, 0 (even) to 1 (always the same phase).
        covered: share of the cycle, in twentieths, that saw a stimulus.
    """

    period_ns: float
    suspect: str | None
    resultant: float
    covered: float


def find_locks(stimulus_ns: Int64s, suspects: Sequence[Suspect] = SUSPECTS, hiding: bool = False) -> tuple[Lock, ...]:
    """Find known rhythms with which the stimuli keep step.

    Args:
        stimulus_ns: shape (n,), int64, nanoseconds, rising.
        suspects: rhythms to test.
        hiding: only those of the suspects that leave a quarter of their cycle without a stimulus: nearly all are out
            of the question after the first thousands of stimuli.

    Returns:
        Locks, the stimuli's own period first; none for fewer than 30 stimuli.
    """
    if stimulus_ns.size < _FEWEST:
        return ()
    times = stimulus_ns - stimulus_ns[0]
    own = float(times[-1]) / (times.size - 1)
    rhythms: list[tuple[float, str | None]] = [(own, None), *((s.period_ns, s.name) for s in suspects)]
    found = []
    for period, name in rhythms:
        # A run shorter than a few cycles covers only part of one, whatever its pattern.
        if period <= 0.0 or float(times[-1]) < 5.0 * period:
            continue
        if hiding and (name is None or _is_seen(times, period)):
            continue
        length, covered = resultant(times, period, _LOCKED_FROM)
        if length >= _LOCKED_FROM:
            found.append(Lock(period_ns=period, suspect=name, resultant=length, covered=covered))
    return tuple(found)


def unseen_by(locks: Sequence[Lock]) -> Lock | None:
    """The lock that leaves most of its rhythm's cycle without a stimulus; None where none leaves a quarter of it."""
    worst = min((lock for lock in locks if lock.suspect is not None), key=lambda lock: lock.covered, default=None)
    return worst if worst is not None and worst.covered <= _SEEN_ENOUGH else None


def resultant(times: Int64s, period: float, least: float = 0.0) -> tuple[float, float]:
    """Mean resultant length of the phases within a period, and the share of the cycle, in twentieths, that they cover.

    Args:
        times: shape (n,), int64, not empty; worked on in pieces that stay in the processor's cache.
        period: same unit.
        least: a length below this is of no interest: both are 0 as soon as the rest of the times cannot reach it.

    Returns:
        Both 0 to 1.

    Source: Zar, J. H., Biostatistical Analysis, chapter on circular distributions.
    """
    total, seen = 0j, np.zeros(20, np.bool_)
    for part in chunks(times.size):
        phase = np.mod(times[part] / period, 1.0)
        angle = 2.0 * math.pi * phase
        total += complex(np.cos(angle).sum(), np.sin(angle).sum())
        seen[(phase * 20.0).astype(np.int64)] = True
        if abs(total) + (times.size - part.stop) < (least - 1e-6) * times.size:
            return 0.0, 0.0
    return abs(total) / times.size, float(seen.mean())


def _is_seen(times: Int64s, period: float) -> bool:
    """Whether more of the cycle than `_SEEN_ENOUGH` has a stimulus; what has been seen once stays seen."""
    seen = np.zeros(20, np.bool_)
    for part in chunks(times.size):
        seen[(np.mod(times[part] / period, 1.0) * 20.0).astype(np.int64)] = True
        if float(seen.mean()) > _SEEN_ENOUGH:
            return True
    return False
