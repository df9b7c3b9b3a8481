"""Arrival patterns of the board as a pulse source."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgereply.sources import arrivals as host
from edgereply.sources.base import StimulusPlan
from edgereply_agent.arrivals import intervals_ns, minus_ln, xorshift32
from edgereply_agent.settings import Plan


def plan(pattern: str, **changes: int) -> Plan:
    """5 ms, floor and spread 1 ms."""
    values = {
        "period_ns": 5_000_000, "width_ns": 50_000, "count": 1, "floor_ns": 1_000_000, "spread_ns": 1_000_000, "seed": 1
    }  # fmt: skip
    return Plan(pattern, **{**values, **changes})


def test_published_first_draw() -> None:
    """Source: G. Marsaglia, "Xorshift RNGs", 2003: the seed of his example; its first draw is from memory."""
    assert xorshift32(2463534242) == 723471715


@given(st.integers(1, 2**32 - 1))
def test_logarithm_is_right_to_a_few_parts_in_ten_thousand(x: int) -> None:
    """Against math.log."""
    assert minus_ln(x) / 65536 == pytest.approx(-math.log(x / 2**32), abs=1e-4)


def test_draws_never_reach_zero_and_fill_the_range() -> None:
    x, seen = 1, []
    for _ in range(20_000):
        x = xorshift32(x)
        seen.append(x)
    assert min(seen) > 0
    assert sum(seen) / len(seen) / 2**32 == pytest.approx(0.5, abs=4 / math.sqrt(12 * len(seen)))


@pytest.mark.parametrize("pattern", ["periodic", "uniform", "exponential"])
@given(
    seed=st.integers(1, 2**32 - 1),
    period=st.integers(200_000, 60_000_000_000),
    floor=st.integers(100_000, 200_000),
    spread=st.integers(0, 100_000),
)
def test_same_intervals_as_the_hosts_own_generator(
    pattern: str, seed: int, period: int, floor: int, spread: int
) -> None:
    """The host's is another implementation, by powers of matrices over whole arrays."""
    ours = plan(pattern, seed=seed, period_ns=period, floor_ns=floor, spread_ns=spread)
    theirs = StimulusPlan(
        pattern=pattern,  # type: ignore[arg-type]
        period_ns=period, width_ns=50_000, count=1, floor_ns=floor, spread_ns=spread, seed=seed,
    )  # fmt: skip
    wanted = host.intervals(theirs, 1_000_000_000, 40).tolist()
    assert list(itertools.islice(intervals_ns(ours), 40)) == wanted


@given(
    seed=st.integers(1, 2**32 - 1),
    period=st.integers(200_000, 60_000_000_000),
    shortest=st.integers(1_000, 50_000),
    longest=st.integers(50_000, 100_000),
)
def test_the_same_pairs_as_the_hosts_own_generator(seed: int, period: int, shortest: int, longest: int) -> None:
    ours = plan("pairs", seed=seed, period_ns=period, shortest_gap_ns=shortest, longest_gap_ns=longest)
    theirs = StimulusPlan(
        pattern="pairs", period_ns=period, seed=seed, shortest_gap_ns=shortest, longest_gap_ns=longest
    )  # fmt: skip
    wanted = host.intervals(theirs, 1_000_000_000, 40).tolist()
    assert list(itertools.islice(intervals_ns(ours), 40)) == wanted


def test_exponential_has_its_mean_and_its_floor() -> None:
    values = list(itertools.islice(intervals_ns(plan("exponential")), 20_000))
    assert min(values) >= 1_000_000
    # The standard deviation of the mean is 4 ms / sqrt(n); four of them.
    assert sum(values) / len(values) == pytest.approx(5_000_000, abs=4 * 4_000_000 / math.sqrt(len(values)))
