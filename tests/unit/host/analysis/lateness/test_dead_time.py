"""How close two edges may be: the limits against scipy and published values, the claim by how often it is wrong."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import binomtest

from edgereply.analysis.arrays.aliases import Floats
from edgereply.analysis.arrays.ladder import ladder
from edgereply.analysis.lateness.dead_time import (
    Fate,
    GapStep,
    dead_time,
    find_pairs,
    gap_steps,
    lower_limit,
    pairs_needed,
    pooled_steps,
)

RNG = np.random.default_rng(7)


def step(number: int, pairs: int, lost: int = 0, unknown: int = 0) -> GapStep:
    gap_ns = 1000 << number
    return GapStep(
        step_ns=gap_ns, low_ns=gap_ns, high_ns=gap_ns + 9, pairs=pairs, answered=pairs - lost - unknown, late=0,
        coalesced=0, missed=lost, unknown=unknown,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("share", "confidence", "count"), [(0.9, 0.95, 29), (0.95, 0.95, 59), (0.99, 0.95, 299), (0.999, 0.95, 2995)]
)
def test_the_pairs_that_a_claim_takes_are_the_published_ones(share: float, confidence: float, count: int) -> None:
    """Wilks, one-sided, first order: 29, 59 and 299 are in any table of tolerance limits; 2995 by the same formula."""
    assert pairs_needed(share, confidence) == count


@pytest.mark.parametrize(("answered", "pairs"), [(2995, 2995), (2994, 2995), (0, 20), (19, 20), (5000, 5003)])
def test_the_one_sided_limit_is_scipys(answered: int, pairs: int) -> None:
    theirs = binomtest(answered, pairs, alternative="greater").proportion_ci(0.95, method="exact").low
    assert lower_limit(answered, pairs, 0.95) == pytest.approx(theirs, rel=1e-9, abs=1e-12)


def test_the_two_sided_interval_is_the_published_one() -> None:
    """Clopper-Pearson, 81 of 263 and 15 of 148: Newcombe 1998, Table I (from memory)."""
    for answered, pairs, low, high in ((81, 263, 0.2527, 0.3676), (15, 148, 0.0578, 0.1617)):
        interval = step(0, pairs, lost=pairs - answered).interval
        assert interval.low == pytest.approx(low, abs=5e-5)
        assert interval.high == pytest.approx(high, abs=5e-5)


def test_pairs_that_are_not_known_count_as_either() -> None:
    interval = step(0, 100, unknown=10).interval
    assert interval.low == pytest.approx(step(0, 100, lost=10).interval.low)
    assert interval.high == 1.0


def test_pairs_are_found_by_turns_also_where_a_second_edge_came_late() -> None:
    stimulus = np.array([0, 50, 2_000, 2_900, 5_000, 5_100], np.int64)
    assert find_pairs(stimulus, 1_000).tolist() == [0, 2, 4]


def test_where_a_record_is_missing_neighbours_are_pairs_and_three_or_one_are_not() -> None:
    stimulus = np.array([0, 50, 2_000, 4_000, 4_100, 6_000, 6_010, 6_020, 9_000, 9_100], np.int64)
    assert find_pairs(stimulus, 1_000).tolist() == [0, 3, 8]


@pytest.mark.parametrize("count", [0, 1])
def test_without_two_stimuli_there_is_no_pair(count: int) -> None:
    assert find_pairs(np.arange(count, dtype=np.int64), 1_000).tolist() == []


def test_pairs_are_counted_at_the_step_they_are_nearest_to() -> None:
    steps = ladder(1000, 2000)
    gap = np.array([900, 1000, 1110, 1130, 2000, 5000], np.int64)
    fate = np.array([Fate.ANSWERED, Fate.MISSED, Fate.LATE, Fate.COALESCED, Fate.UNKNOWN, Fate.ANSWERED], np.uint8)
    found = gap_steps(gap, fate, steps)
    assert [(one.step_ns, one.low_ns, one.high_ns, one.pairs) for one in found] == [
        (1000, 900, 1110, 3), (1250, 1130, 1130, 1), (2000, 2000, 5000, 2),
    ]  # fmt: skip
    counts = [(one.answered, one.late, one.coalesced, one.missed, one.unknown) for one in found]
    assert counts == [(1, 1, 0, 1, 0), (0, 0, 1, 0, 0), (1, 0, 0, 0, 1)]
    assert [one.lost for one in found] == [2, 1, 1]


def test_the_dead_time_is_the_last_step_that_passes() -> None:
    found = dead_time([step(0, 3000, lost=900), step(1, 3000, lost=2), step(2, 3000), step(3, 3000)])
    assert found.gap_ns == step(2, 1).high_ns
    assert found.failed_ns == (step(1, 1).low_ns, step(1, 1).high_ns)
    assert found.pairs == 6000
    assert found.untested_ns is None


def test_steps_with_few_pairs_go_together_and_the_longest_of_them_is_claimed() -> None:
    found = dead_time([step(0, 10), step(1, 2000), step(2, 1500), step(3, 3000)])
    assert found.gap_ns == step(2, 1).high_ns
    assert (found.pairs, found.failed_ns, found.untested_ns) == (6500, None, step(0, 1).high_ns)


def test_a_step_of_which_too_little_is_known_does_not_pass() -> None:
    assert dead_time([step(3, 3000, unknown=3)]).gap_ns is None


def test_too_few_pairs_prove_nothing() -> None:
    found = dead_time([step(0, 1000), step(1, 1000)])
    assert (found.gap_ns, found.failed_ns, found.untested_ns) == (None, None, step(1, 1).high_ns)


def test_what_lies_below_a_failure_is_not_looked_at() -> None:
    """Else the claim would be the best of several tries."""
    found = dead_time([step(0, 9000), step(1, 3000, lost=100), step(2, 9000)])
    assert found.gap_ns == step(2, 1).high_ns


def _claim(share: Floats, pairs: int) -> int | None:
    """A simulated run of a board whose share of answered pairs is known at each of a few steps."""
    answered = RNG.binomial(pairs, share)
    steps = [step(i, pairs, lost=pairs - int(count)) for i, count in enumerate(answered)]
    return dead_time(steps).gap_ns


def _wrong(share: Floats, pairs: int, tries: int) -> float:
    """How often a gap is claimed of which, or of a longer one, less than 99.9 % are answered."""
    bad = 0
    true_from = next((i for i in range(len(share)) if (share[i:] >= 0.999).all()), len(share))
    for _ in range(tries):
        claimed = _claim(share, pairs)
        bad += claimed is not None and claimed < step(true_from, 1).low_ns
    return bad / tries


TRIES = 2000
# Five standard deviations of a count above the error allowed.
MOST_WRONG = 0.05 + 5 * math.sqrt(0.05 * 0.95 / TRIES)


@pytest.mark.parametrize(
    "share",
    [
        np.full(8, 0.9989),
        np.array([0.0, 0.5, 0.9, 0.9989, 0.9989, 1.0, 1.0, 1.0]),
        np.array([0.9, 0.9, 0.99, 0.99, 0.99, 0.99, 0.9989, 1.0]),
        # An edge lost at one gap alone, as by a filter that rings.
        np.array([1.0, 1.0, 1.0, 0.9989, 1.0, 1.0, 1.0, 1.0]),
    ],
)
@pytest.mark.parametrize("pairs", [2995, 9000])
def test_the_claim_is_wrong_in_at_most_one_case_in_twenty(share: Floats, pairs: int) -> None:
    """Shares a hair below what is claimed, where errors are most frequent."""
    assert _wrong(share, pairs, TRIES) <= MOST_WRONG


def test_with_steps_put_together_a_share_that_falls_with_the_gap_is_not_claimed_too_low() -> None:
    """1,000 pairs a step, so that three are a block; the share falls below what is claimed inside a block."""
    share = np.array([0.5, 0.9, 0.99, 0.995, 0.9985, 0.9995, 1.0, 1.0, 1.0])
    assert _wrong(share, 1000, TRIES) <= MOST_WRONG


def test_a_good_board_is_told_so() -> None:
    """The claim must not be empty: with no loss beyond a gap it is made there every time."""
    share = np.array([0.0, 0.5, 1.0, 1.0, 1.0])
    assert all(_claim(share, 3000) == step(2, 1).high_ns for _ in range(200))


def test_rounds_of_a_plan_are_added_up_by_step() -> None:
    found = pooled_steps([[step(0, 10, lost=1), step(2, 5)], [step(0, 20), step(1, 7, unknown=2)]])
    assert [(one.step_ns, one.pairs, one.answered, one.lost) for one in found] == [
        (1000, 30, 29, 1), (2000, 7, 5, 2), (4000, 5, 5, 0),
    ]  # fmt: skip
