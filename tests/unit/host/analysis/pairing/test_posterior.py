"""The posterior against a plain enumeration of every assignment."""

from __future__ import annotations

import math

import numpy as np
import pytest

from edgereply.analysis.arrays.aliases import Floats
from edgereply.analysis.pairing.posterior import MISSED_INDEX, UNCERTAIN_INDEX
from edgereply.analysis.pairing.posterior import _backward as backward
from edgereply.analysis.pairing.posterior import _forward as forward
from edgereply.analysis.pairing.reaction_likelihood import Batch, Model, weigh
from edgereply.analysis.pairing.usual_reaction import Usual, usual_reactions
from tests.unit.host.analysis.pairing.pairing_truth import Scenario, simulate


def enumerate_assignments(
    pairs: tuple[Floats, Floats], miss: Floats, step: float, open_end: bool, echo: Floats
) -> tuple[float, Floats]:
    """Sum of weights of all assignments, and of those with each pair, by walking every one."""
    rows, columns = pairs[0].shape
    through = np.zeros((rows, columns))
    total = 0.0

    def walk(row: int, column: int, answered: bool, weight: float, taken: list[tuple[int, int]]) -> None:
        nonlocal total
        if row == rows and (open_end or column == columns):
            total += weight
            for pair in taken:
                through[pair] += weight
        if row < rows:
            walk(row + 1, column, answered, weight * math.exp(miss[row]), taken)
        if column < columns:
            walk(row, column + 1, False, weight * math.exp(echo[column] if answered else step), taken)
        if row < rows and column < columns:
            density = math.exp(pairs[0 if answered else 1][row, column])
            walk(row + 1, column + 1, True, weight * density, [*taken, (row, column)])

    walk(0, 0, False, 1.0, [])
    return total, through


@pytest.mark.parametrize("open_end", [False, True])
@pytest.mark.parametrize("seed", range(6))
def test_forward_and_backward_sum_over_every_assignment(seed: int, open_end: bool) -> None:
    rng = np.random.default_rng(seed)
    rows, columns = int(rng.integers(1, 5)), int(rng.integers(1, 5))
    pairs = (rng.normal(0, 2, (1, rows, columns)), rng.normal(0, 2, (1, rows, columns)))
    miss, step, echo = rng.normal(-3, 1, (1, rows)), -2.5, rng.normal(-2, 1, (1, columns))
    closed = np.array([False])
    sizes = (np.array([rows]), np.array([columns]))
    ahead = forward(pairs, miss, step, closed, echo)
    behind = backward(pairs, miss, step, sizes, np.array([open_end]), echo)
    total, through = enumerate_assignments((pairs[0][0], pairs[1][0]), miss[0], step, open_end, echo[0])
    if not open_end:
        whole = np.logaddexp(ahead[0, 0, -1, -1], ahead[1, 0, -1, -1])
        assert whole == pytest.approx(math.log(total), rel=1e-12)
    assert behind[1, 0, 0, 0] == pytest.approx(math.log(total), rel=1e-12)
    came = np.logaddexp(ahead[0, 0, :-1, :-1] + pairs[0][0], ahead[1, 0, :-1, :-1] + pairs[1][0])
    assert np.exp(came + behind[0, 0, 1:, 1:]) == pytest.approx(through, rel=1e-10)


def test_padding_changes_nothing() -> None:
    rng = np.random.default_rng(1)
    pairs = (rng.normal(0, 2, (1, 3, 2)), rng.normal(0, 2, (1, 3, 2)))
    miss = rng.normal(-3, 1, (1, 3))
    closed, sizes = np.array([False]), (np.array([3]), np.array([2]))
    echo = np.full((1, 4), -2.0)
    plain = backward(pairs, miss, -2.0, sizes, closed, echo[:, :2])[1, 0, 0, 0]
    fill = np.full((1, 8, 4), -np.inf)
    fill[:, :3, :2] = pairs[0]
    other = np.full((1, 8, 4), -np.inf)
    other[:, :3, :2] = pairs[1]
    padded = backward((fill, other), np.pad(miss, ((0, 0), (0, 5))), -2.0, sizes, closed, echo)[1, 0, 0, 0]
    assert padded == pytest.approx(plain, rel=1e-12)


MODEL = Model(
    usual=Usual(90, 110, 0.95, 0.02, 4, several=False),
    window_ns=100_000,
    interval_ns=1_000.0,
    miss=0.01,
    spurious=0.01,
)


def settle(stimuli: list[int], rises: list[int]) -> tuple[list[int], list[bool]]:
    """Weigh one stretch."""
    before = [-(2**62), *rises[:-1]]
    batch = Batch(
        np.array([stimuli]),
        np.array([rises]),
        np.array([before]),
        np.zeros((1, len(stimuli)), dtype=np.bool_),
        (np.array([len(stimuli)]), np.array([len(rises)])),
        np.array([False]),
        np.array([False]),
    )
    settled = weigh(batch, MODEL)
    return settled.partner[0].tolist(), settled.spurious[0].tolist()


def test_the_usual_answer_wins() -> None:
    assert settle([0, 700], [800]) == ([MISSED_INDEX, 0], [False])
    assert settle([0, 700], [100]) == ([0, MISSED_INDEX], [False])
    assert settle([0], [40, 100]) == ([1], [True, False])


def test_of_two_usual_answers_the_first_is_taken() -> None:
    assert settle([0], [95, 105]) == ([0], [False, True])


def test_equal_claims_stay_open() -> None:
    partner, spurious = settle([0, 300, 650], [5_000, 5_060])
    assert partner == [UNCERTAIN_INDEX] * 3
    assert spurious == [False, False]


def test_the_usual_range_finds_a_reaction_of_several_intervals() -> None:
    rng = np.random.default_rng(2)
    stimulus = np.cumsum(rng.exponential(1_000_000, 3_000)).astype(np.int64)
    rise = stimulus + 5_300_000 + np.sort(rng.integers(0, 10_000, 3_000))
    usual = usual_reactions(stimulus, rise, 20_000_000)
    assert usual is not None
    assert 5_290_000 < usual.low_ns < int((rise - stimulus).min())
    assert 5_309_990 <= usual.high_ns < 5_320_000
    assert not usual.several


def test_periodic_arrivals_have_several_ranges_and_unrelated_edges_none() -> None:
    stimulus = np.arange(0, 10**9, 10**6)
    usual = usual_reactions(stimulus, stimulus + 3_000, 10**8)
    assert usual is not None
    assert usual.several
    assert usual.low_ns <= 3_000 <= usual.high_ns < 10**6
    rng = np.random.default_rng(4)
    assert (
        usual_reactions(np.sort(rng.integers(0, 10**9, 2_000)), np.sort(rng.integers(0, 10**9, 2_000)), 10**7) is None
    )


def test_the_usual_range_has_room_for_the_rarest_usual_answers() -> None:
    """Without it a quick answer is out of the range, and its double in the range is taken instead."""
    truth = simulate(Scenario(stimuli=4_000, doubles=1.0, stall=0), 50)
    usual = usual_reactions(truth.stimulus_ns, truth.rise_ns, 100_000_000)
    answered = truth.true_rise_ns >= 0
    quickest = int((truth.true_rise_ns - truth.stimulus_ns)[answered].min())
    assert usual is not None
    assert quickest - 10_000 < usual.low_ns <= quickest
