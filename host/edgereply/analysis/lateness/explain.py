"""Why answers were late: what their times say, and no more than that.

"No cause found" and "not enough data" are answers. A cause is named only where the measured period
agrees with a known one within its error, and never where the stimuli could have made the period up.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Int64s
from edgereply.analysis.arrays.quantiles import quantiles
from edgereply.analysis.lateness.bursts import Burst, find_bursts
from edgereply.analysis.lateness.clusters import without_bursts
from edgereply.analysis.lateness.known_causes import Suspect, name_suspects
from edgereply.analysis.lateness.late_segments import LateSegments, blame_segments
from edgereply.analysis.lateness.period_search import FEWEST_LATE, PeriodFinding, PeriodSearch, search_periods
from edgereply.analysis.lateness.stimulus_lock import Lock, find_locks
from edgereply.analysis.statistics.drift import find_warm_up

FindingOutcome = Literal["cause found", "no cause found", "not enough data"]

# Two crystal oscillators together; a resonator on either side needs more.
CLOCK_PPM = 100.0
_SLOWEST = 0.99
# A start is called slow with so many late answers, so many times as dense as in the rest of the run.
_FEWEST_AT_START, _DENSER = 8, 3


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedPeriod:
    """A period and who it could be.

    Attributes:
        finding: the measured period.
        suspects: known causes whose period agrees within the error; empty when none does.
        delay_ns: how much later than usual the median late answer of its window came; None where
            those stimuli were missed.
    """

    finding: PeriodFinding
    suspects: tuple[Suspect, ...]
    delay_ns: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SlowStart:
    """Late answers because the run began in another state: cold caches, a clock not yet up to speed.

    Attributes:
        stimuli: of the start.
        late: of these, answered late.
        length_ns: of the start.
        shift_ns: how much slower the usual answer was.
    """

    stimuli: int
    late: int
    length_ns: int
    shift_ns: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    """What the times of late answers say.

    Attributes:
        outcome: whether any cause was found.
        late_above_ns: answers later than this were looked at, and missed stimuli.
        late: how many there were.
        unexplained: of these, neither in a slow start, nor in the window of a period, nor in a burst.
        slow_start: where the run began with late answers; no period or burst is sought among these.
        periods: periods found, strongest first.
        aliased: the stimuli are periodic, so a period found may be an alias and none is named.
        search: the search behind `periods`.
        locks: rhythms that the stimuli keep step with.
        bursts: late answers that came at once and not again.
        segments: where the extra time was spent; None without segments or without enough late answers.
        more_stimuli: about how many more stimuli would give enough late answers; None when there are enough
            or none was late.
    """

    outcome: FindingOutcome
    late_above_ns: int
    late: int
    unexplained: int
    slow_start: SlowStart | None
    periods: tuple[NamedPeriod, ...]
    aliased: bool
    search: PeriodSearch
    locks: tuple[Lock, ...]
    bursts: tuple[Burst, ...]
    segments: LateSegments | None
    more_stimuli: int | None


def explain(
    stimulus_ns: Int64s,
    reaction_ns: Int64s,
    answered: Bools | None = None,
    *,
    late_above_ns: int | None = None,
    segments_ns: Mapping[str, Int64s] | None = None,
    clock_ppm: float = CLOCK_PPM,
) -> Explanation:
    """Look for what late answers have in common.

    Args:
        stimulus_ns: shape (n,), int64, nanoseconds, rising.
        reaction_ns: shape (n,), int64, nanoseconds; ignored where not answered.
        answered: shape (n,), bool; all, when None.
        late_above_ns: what counts as late; chosen by `late_limit` when None.
        segments_ns: by name, shape (n,), int64, nanoseconds, each segment of each answer.
        clock_ppm: how far the source's and the board's clock may differ, parts per million.

    Returns:
        See `Explanation`.

    Raises:
        ValueError: the arrays differ in shape.
    """
    if answered is None:
        answered = np.ones(stimulus_ns.shape, dtype=np.bool_)
    if not stimulus_ns.shape == reaction_ns.shape == answered.shape:
        raise ValueError(
            f"one reaction and one mark a stimulus, got {reaction_ns.size} and {answered.size} for {stimulus_ns.size}"
        )
    limit = late_limit(reaction_ns[answered]) if late_above_ns is None else late_above_ns
    late = ~answered | (reaction_ns > limit)
    locks = find_locks(stimulus_ns)
    own = next((lock for lock in locks if lock.suspect is None), None)
    # Faster rhythms than half the stimuli's rate cannot be told from slower ones.
    shortest = 5_000 if own is None else max(5_000, math.ceil(2.0 * own.period_ns))
    start = _slow_start(stimulus_ns, reaction_ns, answered, late)
    later = late.copy()
    if start is not None:
        later[: start.stimuli] = False
    search = without_bursts(search_periods(stimulus_ns, later, shortest), stimulus_ns, later)
    bursts = find_bursts(stimulus_ns, search.unexplained)
    left = search.unexplained.copy()
    for burst in bursts:
        left[burst.first : burst.last + 1] = False
    count = int(np.count_nonzero(late))
    found = bool(search.findings or bursts or start)
    empty: FindingOutcome = "not enough data" if search.status == "not enough data" else "no cause found"
    more = None
    if empty == "not enough data" and not found and 0 < count < FEWEST_LATE:
        more = math.ceil(late.size * (FEWEST_LATE / count - 1.0))
    usual_ns = None
    if search.findings and np.any(on_time := answered & ~late):
        usual_ns = int(quantiles(reaction_ns[on_time], [0.5])[0])
    return Explanation(
        outcome="cause found" if found else empty,
        late_above_ns=limit,
        late=count,
        unexplained=int(np.count_nonzero(left)),
        slow_start=start,
        periods=tuple(
            NamedPeriod(
                finding=finding,
                suspects=() if own else name_suspects(finding.period_ns, finding.error_ns, clock_ppm),
                delay_ns=_delay(stimulus_ns, reaction_ns, answered & late, usual_ns, finding),
            )
            for finding in search.findings
        ),
        aliased=own is not None,
        search=search,
        locks=locks,
        bursts=bursts,
        segments=None if segments_ns is None else _segments(segments_ns, answered, late),
        more_stimuli=more,
    )


def _slow_start(stimulus_ns: Int64s, reaction_ns: Int64s, answered: Bools, late: Bools) -> SlowStart | None:
    """The start of the run, where a warm-up shows there and late answers are mostly its own."""
    found = find_warm_up(reaction_ns[answered])
    if not found.count or found.shift_ns <= 0.0:
        return None
    stimuli = int(np.flatnonzero(answered)[found.count - 1]) + 1
    within, after = int(np.count_nonzero(late[:stimuli])), int(np.count_nonzero(late[stimuli:]))
    if within < _FEWEST_AT_START or within * (late.size - stimuli) < _DENSER * after * stimuli:
        return None
    length = int(stimulus_ns[stimuli - 1] - stimulus_ns[0])
    return SlowStart(stimuli=stimuli, late=within, length_ns=length, shift_ns=found.shift_ns)


def late_limit(reaction_ns: Int64s) -> int:
    """What counts as late where nobody said so.

    Args:
        reaction_ns: shape (n,), int64, nanoseconds, answered stimuli only.

    Returns:
        Tukey's outer fence, the third quartile plus three interquartile ranges; where fewer than 16
        answers lie above it, the 99 % quantile. 0 for no answers.
    """
    if reaction_ns.size == 0:
        return 0
    lower, upper, slow = quantiles(reaction_ns, [0.25, 0.75, _SLOWEST]).tolist()
    fence = upper + 3 * (upper - lower)
    return int(fence if np.count_nonzero(reaction_ns > fence) >= FEWEST_LATE else slow)


def _segments(segments_ns: Mapping[str, Int64s], answered: Bools, late: Bools) -> LateSegments | None:
    return blame_segments({name: times[answered] for name, times in segments_ns.items()}, late[answered])


def _delay(
    stimulus_ns: Int64s,
    reaction_ns: Int64s,
    late: Bools,
    usual_ns: int | None,
    finding: PeriodFinding,
) -> int | None:
    start = finding.window.start_ns
    phase = np.mod((stimulus_ns[late] - stimulus_ns[0]) - start, finding.period_ns)
    caught = reaction_ns[late][phase <= finding.window.width_ns]
    if caught.size == 0 or usual_ns is None:
        return None
    return int(quantiles(caught, [0.5])[0]) - usual_ns
