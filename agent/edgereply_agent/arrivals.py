"""When stimuli are due: periodic, uniform, exponential with a floor, pairs, bit for bit as the pulse sources draw them.

Source: G. Marsaglia, "Xorshift RNGs", Journal of Statistical Software 8 (14), 2003, triple (13, 17, 5).
"""

from __future__ import annotations

import math
from typing import Iterator

from .settings import Plan

MASK = 0xFFFFFFFF
LN2 = 45426  # ln 2 in 1/65536
LOG2 = tuple(math.floor(65536 * math.log2(1 + i / 64) + 0.5) for i in range(65))


def xorshift32(state: int) -> int:
    """The next state, which is the draw; `state` 1 to 2**32 - 1."""
    state ^= state << 13 & MASK
    state ^= state >> 17
    return state ^ (state << 5 & MASK)


def minus_ln(x: int) -> int:
    """-ln(x / 2**32) in 1/65536, by table; `x` 1 to 2**32 - 1."""
    n = x.bit_length() - 1
    m = (x << (31 - n)) & 0x7FFFFFFF
    i, f = m >> 25, (m >> 9) & 0xFFFF
    log2 = (n << 16) + LOG2[i] + (((LOG2[i + 1] - LOG2[i]) * f) >> 16)
    return (((32 << 16) - log2) * LN2) >> 16


def pairs_ns(plan: Plan) -> Iterator[int]:
    """A rest, a gap, a rest …: gaps are steps of a ladder, four to an octave; without end."""
    ladder: list[int] = []
    while True:
        octave = plan.shortest_gap_ns << (len(ladder) >> 2)
        step = octave + ((octave * (len(ladder) & 3)) >> 2)
        if step > plan.longest_gap_ns:
            break
        ladder.append(step)
    x = plan.seed
    while True:
        x = xorshift32(x)
        rest = 2 * plan.period_ns - plan.period_ns // 2 + ((x * (plan.period_ns + 1)) >> 32)
        x = xorshift32(x)
        gap = ladder[(x * len(ladder)) >> 32]
        yield rest - gap
        yield gap


def intervals_ns(plan: Plan) -> Iterator[int]:
    """Intervals before each stimulus in ns, which are this source's ticks; without end."""
    if plan.pattern == "pairs":
        yield from pairs_ns(plan)
    x = plan.seed
    while True:
        if plan.pattern == "periodic":
            yield plan.period_ns
            continue
        x = xorshift32(x)
        if plan.pattern == "uniform":
            yield plan.period_ns - plan.spread_ns + ((x * (2 * plan.spread_ns + 1)) >> 32)
        else:
            yield plan.floor_ns + (((plan.period_ns - plan.floor_ns) * minus_ln(x)) >> 16)
