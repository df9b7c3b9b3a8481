"""Arrival patterns: against a second implementation written from the command set, and against theory."""

import itertools
import math

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgereply.analysis.arrays.ladder import ladder
from edgereply.sources import arrivals
from edgereply.sources.base import Pattern, StimulusPlan

TICK_HZ = 16_000_000
PATTERNS: list[Pattern] = ["periodic", "uniform", "exponential", "pairs"]

# What follows up to `by_the_document` is COMMANDS.md, "Arrival patterns, bit for bit", word for word
# in scalar integers; it shares nothing with the module under test.
T = [math.floor(65536 * math.log2(1 + i / 64) + 0.5) for i in range(65)]


def ticks(seconds_ns: int, rate: int) -> int:
    return (seconds_ns * rate * 10 + 5_000_000_000) // 10_000_000_000


def by_the_document(plan: StimulusPlan, rate: int, count: int) -> list[int]:
    P, F, S = (ticks(t, rate) for t in (plan.period_ns, plan.floor_ns, plan.spread_ns))  # noqa: N806
    x = plan.seed
    out: list[int] = []
    if plan.pattern == "pairs":
        return pairs_by_the_document(plan, rate, count)
    for _ in range(count):
        if plan.pattern == "periodic":
            out.append(P)
            continue
        x = (x ^ (x << 13)) % 2**32
        x = x ^ (x >> 17)
        x = (x ^ (x << 5)) % 2**32
        if plan.pattern == "uniform":
            out.append(P - S + ((x * (2 * S + 1)) >> 32))
            continue
        n = len(bin(x)) - 3
        m = (x << (31 - n)) & 0x7FFFFFFF
        i = m >> 25
        f = (m >> 9) & 0xFFFF
        L = (n << 16) + T[i] + (((T[i + 1] - T[i]) * f) >> 16)  # noqa: N806
        E = (((32 << 16) - L) * 45426) >> 16  # noqa: N806
        out.append(F + (((P - F) * E) >> 16))
    return out


def pairs_by_the_document(plan: StimulusPlan, rate: int, count: int) -> list[int]:
    P, short, long = (ticks(t, rate) for t in (plan.period_ns, plan.shortest_gap_ns, plan.longest_gap_ns))  # noqa: N806

    def G(k: int) -> int:
        o = short << (k // 4)
        return o + ((o * (k % 4)) >> 2)

    n = 0
    while G(n) <= long:
        n += 1
    state = plan.seed
    out: list[int] = []
    while len(out) < count:
        x = state = step(state)
        y = state = step(state)
        gap = G((y * n) >> 32)
        out += [2 * P - P // 2 + ((x * (P + 1)) >> 32) - gap, gap]
    return out[:count]


def step(x: int) -> int:
    x = (x ^ (x << 13)) % 2**32
    x = x ^ (x >> 17)
    return (x ^ (x << 5)) % 2**32


@st.composite
def plans(draw: st.DrawFn) -> StimulusPlan:
    period_ns = draw(st.integers(200_000, 60_000_000_000))
    shortest_ns = draw(st.integers(1_000, period_ns // 2))
    return StimulusPlan(
        pattern=draw(st.sampled_from(PATTERNS)),
        period_ns=period_ns,
        floor_ns=draw(st.integers(100_000, period_ns)),
        spread_ns=draw(st.integers(0, period_ns - 100_000)),
        seed=draw(st.one_of(st.integers(1, 2**32 - 1), st.sampled_from([1, 2**31, 2**32 - 1]))),
        shortest_gap_ns=shortest_ns,
        longest_gap_ns=draw(st.integers(shortest_ns, period_ns // 2)),
    )


@given(plans(), st.integers(0, 600), st.sampled_from([1_000_000, 16_000_000, 125_000_000, 1_000_000_000]))
def test_bit_for_bit(plan: StimulusPlan, count: int, rate: int) -> None:
    found = arrivals.intervals(plan, rate, count)
    assert found.dtype == np.int64
    assert found.tolist() == by_the_document(plan, rate, count)


@given(plans(), st.integers(1, 700))
def test_the_stream_is_the_same_sequence(plan: StimulusPlan, count: int) -> None:
    stream = arrivals.stream(arrivals.tick_plan(plan, TICK_HZ))
    assert list(itertools.islice(stream, count)) == by_the_document(plan, TICK_HZ, count)


def test_every_draw_once_in_the_whole_range_of_the_logarithm() -> None:
    """The smallest and the largest state, and every octave and table step between."""
    steps = [(1 << n) + (i << n >> 6) for n in range(32) for i in range(64)] + [2**32 - 1]
    x = np.array(sorted(set(steps)), dtype=np.uint32)
    exact = -np.log(x / 2**32)  # numpy's logarithm is the reference here
    error = np.abs(arrivals._minus_ln(x) / 65536 - exact)
    # A table of 64 steps an octave, joined by straight lines: 1/(8·64²·ln 2)·ln 2 = 3.1e-5; rounding adds 3/65536;
    # 45426/65536 differs from ln 2 by 2.6e-7 relative, times 32 octaves 5.7e-6·32.
    assert error.max() < 3.1e-5 + 3 / 65536 + 32 * 5.7e-6


def test_marsaglias_generator() -> None:
    """First draws from the seed in Marsaglia's paper (JSS 8(14), 2003, section 4), values from memory."""
    assert arrivals.draws(2463534242, 3).tolist() == [723471715, 2497366906, 2064144800]


def test_the_period_is_full() -> None:
    """Marsaglia 2003: the triple (13, 17, 5) gives period 2³² − 1 = 3·5·17·257·65537, so no plan repeats early."""
    step = np.array([[(arrivals._step(1 << col) >> row) & 1 for col in range(32)] for row in range(32)], dtype=np.int64)

    def power(n: int) -> npt.NDArray[np.int64]:
        result, base = np.eye(32, dtype=np.int64), step
        while n:
            if n & 1:
                result = result @ base % 2
            base = base @ base % 2
            n >>= 1
        return result

    identity = np.eye(32, dtype=np.int64)
    whole = 2**32 - 1
    assert np.array_equal(power(whole), identity)
    assert not any(np.array_equal(power(whole // prime), identity) for prime in (3, 5, 17, 257, 65537))


@pytest.mark.parametrize("seed", [1, 2, 20_260_101, 2**32 - 1])
def test_exponential_against_theory(seed: int) -> None:
    """Kolmogorov's test at 1 %: critical value 1.63/√n (Massey, JASA 46, 1951, table 1, n over 35)."""
    plan = StimulusPlan(period_ns=5_000_000, floor_ns=1_000_000, seed=seed)
    n = 20_000
    drawn = arrivals.intervals(plan, TICK_HZ, n)
    floor, mean = 16_000, 64_000
    assert drawn.min() >= floor
    assert abs(drawn.mean() - (floor + mean)) < 4 * mean / math.sqrt(n)
    assert kolmogorov(1 - np.exp(-(drawn - floor) / mean)) < 1.63 / math.sqrt(n)


def test_the_test_of_the_distribution_can_fail() -> None:
    plan = StimulusPlan(period_ns=5_000_000, floor_ns=1_000_000)
    drawn = arrivals.intervals(plan, TICK_HZ, 20_000)
    assert kolmogorov(1 - np.exp(-(drawn - 16_000) / (64_000 * 1.05))) > 1.63 / math.sqrt(20_000)


@pytest.mark.parametrize("seed", [1, 2, 20_260_101])
def test_uniform_against_theory(seed: int) -> None:
    plan = StimulusPlan(pattern="uniform", period_ns=5_000_000, spread_ns=2_000_000, seed=seed)
    n = 20_000
    drawn = arrivals.intervals(plan, TICK_HZ, n)
    assert drawn.min() >= 48_000
    assert drawn.max() <= 112_000
    assert abs(drawn.mean() - 80_000) < 4 * 64_000 / math.sqrt(12 * n)
    assert kolmogorov((drawn - 48_000) / 64_001) < 1.63 / math.sqrt(n)


def test_successive_intervals_do_not_follow_each_other() -> None:
    """Serial correlation of independent draws: standard deviation 1/√n (Box and Jenkins, Bartlett 1946)."""
    drawn = arrivals.intervals(StimulusPlan(), TICK_HZ, 20_000).astype(float)
    drawn -= drawn.mean()
    for lag in (1, 2, 3, 10):
        assert abs((drawn[lag:] * drawn[:-lag]).sum() / (drawn**2).sum()) < 4 / math.sqrt(20_000)


@pytest.mark.parametrize(("duration_ns", "expected"), [(0, 0), (31, 0), (32, 1), (62, 1), (94, 2), (5_000_000, 80_000)])
def test_rounding_to_ticks(duration_ns: int, expected: int) -> None:
    """Halves of 62.5 ns: 31.25 ns is the first that rounds up."""
    assert arrivals.ticks_from_ns(duration_ns, TICK_HZ) == expected


def kolmogorov(probability: npt.NDArray[np.float64]) -> float:
    p = np.sort(probability)
    n = len(p)
    return float(max((np.arange(1, n + 1) / n - p).max(), (p - np.arange(n) / n).max()))


def test_pairs_have_their_gaps_their_rests_and_their_mean() -> None:
    """Against theory: every step of the ladder as often as another, rests of a period at least, two periods a pair."""
    plan = StimulusPlan(pattern="pairs", period_ns=2_000_000, shortest_gap_ns=1_000, longest_gap_ns=1_000_000)
    found = arrivals.intervals(plan, 1_000_000_000, 80_000)
    rest, gap = found[0::2], found[1::2]
    steps = ladder(1_000, 1_000_000)
    assert steps[:9].tolist() == [1000, 1250, 1500, 1750, 2000, 2500, 3000, 3500, 4000]
    assert steps[-1] <= 1_000_000 < steps[-1] * 1.25
    values, counts = np.unique(gap, return_counts=True)
    assert values.tolist() == steps.tolist()
    mean = len(gap) / len(steps)
    assert np.abs(counts - mean).max() < 5 * math.sqrt(mean)
    assert rest.min() >= plan.period_ns
    # Half a period up and down, evenly: standard deviation period / sqrt(12); five of the mean's.
    assert (rest + gap).mean() == pytest.approx(4_000_000, abs=5 * 2_000_000 / math.sqrt(12 * len(gap)))


def test_a_ladder_of_one_step_is_one_gap() -> None:
    assert ladder(7, 7).tolist() == [7]
