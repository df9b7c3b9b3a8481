"""When stimuli are due: the arrival patterns, bit for bit as the command set fixes them.

Every source that follows the command set draws the same intervals from the same plan, so a run
can be repeated, and the host can check what it asked for against what it got.

Source: xorshift32 is G. Marsaglia, "Xorshift RNGs", Journal of Statistical Software 8 (14), 2003,
triple (13, 17, 5).

Pairs ask how close two stimuli may come. Their gaps are steps of a ladder, four to an octave, from the shortest to the
longest: a step that comes up often enough has an exact interval of its own, and steps that grow in proportion look at
a microsecond as closely as at a millisecond. Which step is next is drawn, so that what changes with time falls on all
of them alike. The rest is drawn too, half a period up and down, so that pairs cannot keep step with a timer tick; it is
never shorter than a period, twice the longest gap, so that a pair is answered before the next one comes. Two intervals
last two periods on average, so a rate of pairs is what it is of any other pattern.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s, Uint32s
from edgereply.analysis.arrays.ladder import ladder
from edgereply.sources.base import Pattern, StimulusPlan

_MASK = 0xFFFF_FFFF
_LN2_Q16 = 45426
_LOG2_TABLE = np.array([math.floor(65536 * math.log2(1 + i / 64) + 0.5) for i in range(65)], dtype=np.int64)
_CHUNK = 256


@dataclass(frozen=True, slots=True, kw_only=True)
class TickPlan:
    """The part of a plan that decides the intervals, in ticks of one source."""

    pattern: Pattern
    period: int
    floor: int
    spread: int
    seed: int
    shortest_gap: int = 0
    longest_gap: int = 0


def ticks_from_ns(duration_ns: int, tick_hz: int) -> int:
    """Round a duration to ticks, halves up.

    Args:
        duration_ns: in ns.
        tick_hz: ticks a second.

    Returns:
        floor(seconds · tick_hz + 0.5), computed in integers.
    """
    return (2 * duration_ns * tick_hz + 1_000_000_000) // 2_000_000_000


def tick_plan(plan: StimulusPlan, tick_hz: int) -> TickPlan:
    """Express a plan in ticks.

    Args:
        plan: the stimuli.
        tick_hz: ticks a second of the source that will emit them.

    Returns:
        The same plan, every time rounded to a whole tick.
    """
    return TickPlan(
        pattern=plan.pattern,
        period=ticks_from_ns(plan.period_ns, tick_hz),
        floor=ticks_from_ns(plan.floor_ns, tick_hz),
        spread=ticks_from_ns(plan.spread_ns, tick_hz),
        seed=plan.seed,
        shortest_gap=ticks_from_ns(plan.shortest_gap_ns, tick_hz),
        longest_gap=ticks_from_ns(plan.longest_gap_ns, tick_hz),
    )


def intervals(plan: StimulusPlan, tick_hz: int, count: int) -> Int64s:
    """Draw the intervals of a plan.

    Args:
        plan: the stimuli; its ``count`` is not looked at.
        tick_hz: ticks a second of the source.
        count: how many intervals.

    Returns:
        int64[count], ticks before each stimulus; the first counts from the start of the run.
    """
    return _intervals(tick_plan(plan, tick_hz), plan.seed, count)


def stream(plan: TickPlan) -> Iterator[int]:
    """Draw the intervals of a plan one after the other, without end.

    Args:
        plan: the stimuli, in ticks.

    Yields:
        Ticks before the next stimulus.
    """
    state = plan.seed
    while True:
        yield from _intervals(plan, state, _CHUNK).tolist()
        state = int(draws(state, _CHUNK)[-1])


def draws(seed: int, count: int) -> Uint32s:
    """Draw from xorshift32.

    One step is linear over GF(2), so the 2ⁿ-th power of a step carries the first 2ⁿ states to the
    next 2ⁿ all at once.

    Args:
        seed: the state before the first draw, 1 to 2**32 - 1.
        count: how many draws.

    Returns:
        uint32[count].
    """
    states = np.empty(max(count, 1), dtype=np.uint32)
    states[0] = _step(seed)
    columns = [_step(1 << bit) for bit in range(32)]
    filled = 1
    while filled < count:
        fresh = min(filled, count - filled)
        tables = _byte_tables(columns)
        states[filled : filled + fresh] = _apply(tables, states[:fresh])
        columns = _apply(tables, np.array(columns, dtype=np.uint32)).tolist()
        filled += fresh
    return states[:count]


def _step(x: int) -> int:
    x ^= (x << 13) & _MASK
    x ^= x >> 17
    return x ^ (x << 5) & _MASK


def _byte_tables(columns: list[int]) -> Uint32s:
    tables = np.zeros((4, 256), dtype=np.uint32)
    for byte in range(4):
        for bit in range(8):
            half = 1 << bit
            tables[byte, half : 2 * half] = tables[byte, :half] ^ np.uint32(columns[8 * byte + bit])
    return tables


def _apply(tables: Uint32s, states: Uint32s) -> Uint32s:
    result: Uint32s = (
        tables[0, states & 0xFF]
        ^ tables[1, (states >> 8) & 0xFF]
        ^ tables[2, (states >> 16) & 0xFF]
        ^ tables[3, states >> 24]
    )
    return result


def _intervals(plan: TickPlan, state: int, count: int) -> Int64s:
    if plan.pattern == "periodic":
        return np.full(count, plan.period, dtype=np.int64)
    if plan.pattern == "pairs":
        return _pairs(plan, draws(state, count + count % 2))[:count]
    x = draws(state, count)
    if plan.pattern == "uniform":
        return plan.period - plan.spread + _scaled(x, 2 * plan.spread + 1)
    return plan.floor + (((plan.period - plan.floor) * _minus_ln(x)) >> 16)


def _pairs(plan: TickPlan, x: Uint32s) -> Int64s:
    """Rest and gap by turns; the first draw of two is for the rest, the second for the gap after it."""
    steps = ladder(plan.shortest_gap, plan.longest_gap)
    gap = steps[_scaled(x[1::2], len(steps))]
    found = np.empty(len(x), dtype=np.int64)
    found[0::2] = 2 * plan.period - gap - plan.period // 2 + _scaled(x[0::2], plan.period + 1)
    found[1::2] = gap
    return found


def _scaled(x: Uint32s, width: int) -> Int64s:
    """Returns: (x · width) >> 32, in two halves because the product may need more than 64 bits."""
    wide = x.astype(np.uint64)
    low = (wide * np.uint64(width & _MASK)) >> np.uint64(32)
    return (wide * np.uint64(width >> 32) + low).astype(np.int64)


def _minus_ln(x: Uint32s) -> Int64s:
    """Returns: −ln(x/2³²) in 1/65536, by a table of 64 steps an octave."""
    wide = x.astype(np.int64)
    top = np.frexp(x.astype(np.float64))[1].astype(np.int64) - 1
    mantissa = (wide << (31 - top)) & 0x7FFF_FFFF
    index = mantissa >> 25
    fraction = (mantissa >> 9) & 0xFFFF
    low = _LOG2_TABLE[index]
    log2 = (top << 16) + low + (((_LOG2_TABLE[index + 1] - low) * fraction) >> 16)
    result: Int64s = (((32 << 16) - log2) * _LN2_Q16) >> 16
    return result
