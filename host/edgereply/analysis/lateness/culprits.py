"""Late answers of a run taken together: who held them up, by how much, and how sure that is.

What an owner took in usual answers is no fault of theirs: the mean over those is taken off each late answer, so that
the extra times of all owners together are the late answers' extra time.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Floats
from edgereply.analysis.arrays.distributions import student_isf
from edgereply.analysis.lateness.attribution import Owner, Span

# Part of every answer, or of nobody: never accused.
BLAMELESS: Final = frozenset({"answering", "input", "unknown"})
# An owner is named as a cause with so large a share of the extra time, and where it took more of one answer than this
# part of a usual one: less than that is the board's ordinary life.
LEAST_SHARE, LEAST_PART = 0.05, 0.25
# With fewer answers there is no interval.
FEWEST: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Culprit:
    """One owner's part in late answers.

    Attributes:
        owner: who.
        answers: late answers in which it took more than usual.
        extra_ns: its time in late answers beyond the usual, all together.
        usual_ns: its mean time in a usual answer.
        worst_ns: its longest time in one late answer.
        share: of the extra time of all late answers; negative where it had less than usual.
        low, high: 95 % interval of the share; None with too few answers.
        accused: it held answers up, as far as this run can tell.
    """

    owner: Owner
    answers: int
    extra_ns: float
    usual_ns: float
    worst_ns: int
    share: float
    low: float | None
    high: float | None
    accused: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Culprits:
    """All of them, the largest share first.

    Attributes:
        late: late answers that were looked at.
        usual: answers on time that they are compared with.
        extra_ns: extra time of the late answers, all together.
        usual_ns: mean time from edge to set of a usual answer.
        table: everybody who had a CPU in them.
    """

    late: int
    usual: int
    extra_ns: float
    usual_ns: float
    table: tuple[Culprit, ...]

    @property
    def accused(self) -> tuple[Culprit, ...]:
        """Those that held answers up."""
        return tuple(item for item in self.table if item.accused)


def times(answers: Sequence[Sequence[Span]]) -> tuple[list[Owner], Floats]:
    """How long each owner had a CPU in each answer.

    Returns:
        Owners, and shape (owners, answers), float64, nanoseconds.
    """
    owners: dict[Owner, int] = {}
    for spans in answers:
        for span in spans:
            owners.setdefault(span.owner, len(owners))
    taken = np.zeros((len(owners), len(answers)))
    for place, spans in enumerate(answers):
        for span in spans:
            taken[owners[span.owner], place] += span.end_ns - span.start_ns
    return list(owners), taken


def find_culprits(answers: Sequence[Sequence[Span]], late: Bools) -> Culprits | None:
    """Sum up over a run.

    Args:
        answers: the spans of each answer.
        late: shape (n,), bool; the others are usual ones.

    Returns:
        See `Culprits`; None without a late answer.
    """
    if not late.any():
        return None
    owners, taken = times(answers)
    usual = taken[:, ~late].mean(axis=1) if (~late).any() else np.zeros(len(owners))
    extra = taken[:, late] - usual[:, np.newaxis]
    totals = extra.sum(axis=0)
    whole, usual_ns = float(totals.sum()), float(usual.sum())
    table = []
    for place, owner in enumerate(owners):
        share = float(extra[place].sum()) / whole if whole > 0.0 else 0.0
        reach = _reach(extra[place], totals, share, whole)
        low, high = (None, None) if reach is None else (share - reach, share + reach)
        worst = int(taken[place, late].max())
        accused = (
            owner.kind not in BLAMELESS
            and share >= LEAST_SHARE
            and (low is None or low > 0.0)
            and float(extra[place].max()) > LEAST_PART * usual_ns
        )
        table.append(
            Culprit(
                owner=owner, answers=int(np.count_nonzero(extra[place] > 0.0)), extra_ns=float(extra[place].sum()),
                usual_ns=float(usual[place]), worst_ns=worst, share=share, low=low, high=high, accused=accused,
            )
        )  # fmt: skip
    table.sort(key=lambda item: -item.share)
    return Culprits(
        late=int(np.count_nonzero(late)), usual=int(np.count_nonzero(~late)), extra_ns=whole, usual_ns=usual_ns,
        table=tuple(table),
    )  # fmt: skip


def _reach(extra: Floats, totals: Floats, share: float, whole: float) -> float | None:
    """Half of the 95 % interval of a share: a ratio of sums (Cochran, Sampling Techniques, section 2.11)."""
    count = extra.size
    if count < FEWEST or whole <= 0.0:
        return None
    spread = float((extra - share * totals).std(ddof=1))
    return student_isf(0.025, count - 1) * math.sqrt(count) * spread / whole
