"""Blind search for interference that comes back with a period, from microseconds to seconds."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Floats, Int64s
from edgereply.analysis.lateness.fold import Fold, Window, find_window, fold, inside_window, regress_period
from edgereply.analysis.lateness.spectrum import (
    STRETCHES,
    Spectrum,
    exact_power,
    false_alarm,
    spectrum,
    stretched,
    weights,
)

PeriodStatus = Literal["periods found", "no period found", "not enough data"]

# Fewer late answers than this cannot stand out from millions of frequencies: exp(-8) is one in 3,000.
FEWEST_LATE = 16
_FEWEST_CYCLES = 8
_ALPHA = 0.002
_MOST_PERIODS = 3
_CANDIDATES = 12
_MOST_DIVISORS = 40
# A finding must gather at least this share of the late answers still unexplained, or 12 of them.
_LEAST_SHARE = 0.2
# Divisors of a frequency whose windows are compared.
_MOST_COMPARED = 6
# Echoes of what was found already that are put aside on the way to another period.
_MOST_ECHOES = 3
# Late answers of a rhythm that comes once in k cycles of another one lie in one of k places; of the other, in all.
_IN_ONE_PLACE = 0.6


@dataclass(frozen=True, slots=True, kw_only=True)
class PeriodFinding:
    """One period that late answers keep to.

    Attributes:
        period_ns: measured on the source's clock.
        error_ns: its standard error.
        false_alarm: chance that independent lateness shows anything as strong in this search.
        window: when in the cycle, and how deep.
        fold: counts by phase, to draw.
    """

    period_ns: float
    error_ns: float
    false_alarm: float
    window: Window
    fold: Fold


@dataclass(frozen=True, slots=True, kw_only=True)
class PeriodSearch:
    """Outcome of a search.

    Attributes:
        status: whether periods were found, or could have been.
        findings: strongest first.
        shortest_ns: shortest period that was looked for; 0 where nothing was.
        longest_ns: longest period that was looked for.
        late: late answers searched.
        unexplained: which late answers no finding explains, shape (n,), bool.
    """

    status: PeriodStatus
    findings: tuple[PeriodFinding, ...]
    shortest_ns: int
    longest_ns: int
    late: int
    unexplained: Bools


def search_periods(stimulus_ns: Int64s, late: Bools, shortest_ns: int = 5_000) -> PeriodSearch:
    """Look for periods in which answers are late more often at one phase.

    Args:
        stimulus_ns: shape (n,), int64, nanoseconds, rising.
        late: shape (n,), bool, which were answered late.
        shortest_ns: shortest period wanted, at least 1 microsecond; runs of more than about a
            minute raise it (see the result).

    Returns:
        See `PeriodSearch`.

    Raises:
        ValueError: unequal arrays or a period below a microsecond.
    """
    if stimulus_ns.shape != late.shape:
        raise ValueError(f"one mark a stimulus, got {late.size} for {stimulus_ns.size}")
    if shortest_ns < 1_000:
        raise ValueError(f"periods below a microsecond are not looked for, got {shortest_ns} ns")
    count = int(np.count_nonzero(late))
    if count < FEWEST_LATE or late.size - count < FEWEST_LATE or stimulus_ns[-1] <= stimulus_ns[0]:
        return PeriodSearch(
            status="not enough data", findings=(), shortest_ns=0, longest_ns=0, late=count, unexplained=late.copy()
        )
    seconds = (stimulus_ns - stimulus_ns[0]) / 1e9
    left, kept = late.copy(), np.ones(late.size, dtype=np.bool_)
    findings: list[PeriodFinding] = []
    reach, echoes = (0, 0), 0
    while len(findings) < _MOST_PERIODS and echoes <= _MOST_ECHOES and np.count_nonzero(left) >= FEWEST_LATE:
        grid = spectrum(seconds[kept], left[kept], shortest_ns / 1e9, _FEWEST_CYCLES)
        reach = reach if findings else (grid.shortest_ns, grid.longest_ns)
        found = _strongest(seconds[kept], left[kept], grid)
        # Two of them would not fit beside a long run.
        del grid
        if found is None:
            break
        # What the edges of a window leave over shows as the same period again. It is put aside like the window.
        if any(_echo(seconds[left], found, other) for other in findings):
            echoes += 1
        else:
            findings.append(found)
        # Stimuli of this window no longer tell anything about other periods.
        caught = inside_window(seconds, found.period_ns / 1e9, found.window, 0.25)
        left &= ~caught
        kept &= ~caught
    return PeriodSearch(
        status="periods found" if findings else "no period found",
        findings=tuple(findings),
        shortest_ns=reach[0],
        longest_ns=reach[1],
        late=count,
        unexplained=left,
    )


def _strongest(seconds: Floats, late: Bools, grid: Spectrum) -> PeriodFinding | None:
    weight = weights(late)
    level = _threshold(grid)
    strong = grid.above(0.5 * level)
    powers = grid.at(strong)
    for place in np.argsort(powers)[::-1][:_CANDIDATES].tolist():
        candidate = int(strong[place])
        frequency, power = _sharpen(seconds, weight, candidate * grid.step_hz, grid.step_hz)
        # The local level counts against the exact power as it did on the grid.
        chance = false_alarm(min(power, 1.5 * float(powers[place])), grid.trials)
        if chance <= _ALPHA:
            base = _fundamental(seconds, late, weight, frequency, grid)
            if (found := _finding(seconds, late, base, chance, grid.step_hz)) is not None:
                return found
    return None


def _threshold(grid: Spectrum) -> float:
    return math.log(grid.trials / _ALPHA)


def _sharpen(seconds: Floats, weight: Floats, frequency: float, step: float) -> tuple[float, float]:
    """Climb to the top of a peak: three rounds of nine exact powers, each round closer together."""
    reach, power = step, 0.0
    near = stretched(seconds, weight, frequency) if seconds.size > STRETCHES else None
    for _ in range(3):
        tried = frequency + np.linspace(-reach, reach, 9)
        powers = exact_power(seconds, weight, tried) if near is None else near.power(tried)
        best = int(np.argmax(powers))
        frequency, power, reach = float(tried[best]), float(powers[best]), reach / 4.0
    return frequency, power


def _fundamental(seconds: Floats, late: Bools, weight: Floats, frequency: float, grid: Spectrum) -> float:
    """The frequency found, or the one of which it is a multiple: a narrow window shows in all multiples alike.

    The powers do not tell which: two ticks, one of which comes once in ten of the other, may cancel at the frequency of
    either and add up at twice that. A window does. At a multiple it holds stimuli that were answered in time, at a part
    of the frequency it misses late answers; so the window that explains most decides.
    """
    most = int(frequency / (grid.first * grid.step_hz))
    if most < 2:
        return frequency
    divisors = np.arange(2, most + 1)
    places = np.rint(frequency / divisors / grid.step_hz).astype(np.int64)
    nearby = np.maximum(grid.at(places), np.maximum(grid.at(places - 1), grid.at(places + 1)))
    likely = divisors[np.argsort(nearby)[::-1][:_MOST_DIVISORS]]
    powers = exact_power(seconds, weight, frequency / likely)
    strong = np.argsort(powers)[::-1][:_MOST_COMPARED]
    lower: list[float] = (frequency / likely[strong[powers[strong] > math.log(divisors.size / _ALPHA)]]).tolist()
    explained = {one: find_window(seconds, late, 1.0 / one).likelihood for one in (frequency, *lower)}
    return max(explained, key=lambda one: explained[one])


def _finding(seconds: Floats, late: Bools, frequency: float, chance: float, step: float) -> PeriodFinding | None:
    period = 1.0 / frequency
    window = find_window(seconds, late, period)
    slow = seconds[late]
    error = math.inf
    for _ in range(3):
        caught = slow[inside_window(slow, period, window, 0.5)]
        if caught.size < 3:
            return None
        period, error = regress_period(caught, period, window)
        window = find_window(seconds, late, period)
    if window.depth <= 0.0 or window.late < min(12, _LEAST_SHARE * np.count_nonzero(late)):
        return None
    if not error < period / 100.0 or abs(1.0 / period - frequency) > 2.0 * step:
        return None
    return PeriodFinding(
        period_ns=1e9 * period,
        error_ns=1e9 * error,
        false_alarm=chance,
        window=window,
        fold=fold(seconds, late, period),
    )


def _echo(late_s: Floats, found: PeriodFinding, other: PeriodFinding) -> bool:
    """Whether a period shows another one again, and not a rhythm of its own.

    Args:
        late_s: times of the late answers that the other left over, seconds.
        found: the period in question.
        other: found before.

    Returns:
        True for the same period or a simple fraction of it (3 to 2, say). Where one is a multiple of the other, such as
        those of ticks at 100 Hz and 1 kHz, both may be there: the late answers of the longer one lie at one of the
        cycles of the shorter, those of the shorter at all of them alike.
    """
    longer, shorter = max(found.period_ns, other.period_ns), min(found.period_ns, other.period_ns)
    ratio = longer / shorter
    if not any(abs(ratio * d - round(ratio * d)) < 1e-4 * d for d in range(1, 7)):
        return False
    times, cycles = round(ratio), late_s[inside_window(late_s, found.period_ns / 1e9, found.window, 0.25)]
    if times < 2 or abs(ratio - times) > 1e-3 or not cycles.size:
        return True
    # By the shorter period's own phase first, so that no window is cut by the edge of a cycle.
    middle = (found.window.start_ns + found.window.width_ns / 2.0) / 1e9
    place = np.mod(np.rint((cycles - middle) / (shorter / 1e9)).astype(np.int64), times)
    in_one = float(np.bincount(place).max()) / cycles.size
    return in_one > _IN_ONE_PLACE if found.period_ns == shorter else in_one <= _IN_ONE_PLACE
