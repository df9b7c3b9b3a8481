"""Pairing by one clock: written-out cases, sums, falls, refusals."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.analysis.pairing.one_clock import _give_up_contradictions, pair
from edgereply.analysis.pairing.posterior import UNCERTAIN_INDEX
from edgereply.analysis.pairing.result import Pairing, Status, match_falls

WINDOW_NS = 100_000
# Irregular gaps, 1 to 3 us of reaction: which answer belongs to which stimulus is plain to see.
STIMULI = [0, 1_000, 2_700, 3_900, 5_200, 7_700, 8_600, 10_900, 12_000, 14_500, 15_700, 18_300]


def codes(pairing: Pairing) -> str:
    """Statuses as letters."""
    return "".join("PMCA"[status] for status in pairing.status.tolist())


def answers(stimuli: list[int], without: tuple[int, ...] = ()) -> list[int]:
    """A rise 100 ns after each stimulus but some."""
    return [at + 100 for index, at in enumerate(stimuli) if index not in without]


def run(stimuli: list[int], rises: list[int], window_ns: int = WINDOW_NS) -> Pairing:
    """Pair with 20 ns pulses."""
    return pair(np.array(stimuli), np.array(rises), np.array(rises) + 20, window_ns)


def test_every_stimulus_is_answered() -> None:
    pairing = run(STIMULI, answers(STIMULI))
    assert codes(pairing) == "P" * 12
    assert pairing.reaction_ns.tolist() == [100] * 12
    assert (pairing.fall_ns - pairing.rise_ns).tolist() == [20] * 12


@pytest.mark.parametrize("lost", [1, 5, 10])
def test_one_stimulus_is_missed(lost: int) -> None:
    pairing = run(STIMULI, answers(STIMULI, without=(lost,)))
    assert codes(pairing) == "P" * lost + "M" + "P" * (11 - lost)
    assert pairing.rise_ns[lost] == NO_STAMP
    assert pairing.fall_ns[lost] == NO_STAMP
    assert pairing.reaction_ns.tolist() == [100] * 11


def test_a_burst_after_a_stall_is_paired_first_in_first_out() -> None:
    rises = answers(STIMULI)
    rises[3:7] = [9_000, 9_030, 9_060, 9_090]
    pairing = run(STIMULI, rises)
    assert codes(pairing) == "P" * 12
    assert pairing.rise_ns.tolist() == rises


def test_a_burst_with_a_lost_answer_is_ambiguous_and_only_it() -> None:
    rises = answers(STIMULI)
    rises[3:7] = [9_000, 9_030, 9_060]
    pairing = run(STIMULI, rises)
    assert codes(pairing) == "PPPAAAAPPPPP"
    assert pairing.ambiguous_rise_ns.tolist() == [9_000, 9_030, 9_060]
    assert pairing.ambiguous_fall_ns.tolist() == [9_020, 9_050, 9_080]
    assert pairing.reaction_ns.tolist() == [100] * 8


def test_the_only_burst_of_a_run_without_usual_answers_is_paired_by_count() -> None:
    pairing = run([0, 100, 200, 300], [310, 320, 330, 340])
    assert codes(pairing) == "PPPP"
    assert pairing.rise_ns.tolist() == [310, 320, 330, 340]


def test_a_second_answer_is_spurious() -> None:
    rises = sorted([*answers(STIMULI), STIMULI[4] + 160])
    pairing = run(STIMULI, rises)
    assert codes(pairing) == "P" * 12
    assert pairing.spurious_rise_ns.tolist() == [STIMULI[4] + 160]
    assert pairing.spurious_fall_ns.tolist() == [STIMULI[4] + 180]


def test_a_board_that_always_answers_twice_is_paired_with_the_first() -> None:
    rises = sorted([*answers(STIMULI), *(at + 160 for at in STIMULI)])
    pairing = run(STIMULI, rises)
    assert codes(pairing) == "P" * 12
    assert pairing.reaction_ns.tolist() == [100] * 12
    assert pairing.spurious == 12


def test_rises_before_the_first_stimulus_and_past_the_window_are_spurious() -> None:
    pairing = run(STIMULI, [-500, -400, *answers(STIMULI), STIMULI[-1] + WINDOW_NS + 1])
    assert codes(pairing) == "P" * 12
    assert pairing.spurious_rise_ns.tolist() == [-500, -400, STIMULI[-1] + WINDOW_NS + 1]


def test_two_stimuli_served_by_one_answer_are_coalesced() -> None:
    stimuli = sorted([*STIMULI, 5_230])
    pairing = run(stimuli, answers(STIMULI))
    assert codes(pairing) == "PPPPPCPPPPPPP"
    assert pairing.reaction_ns.tolist() == [100] * 12


def test_answers_later_than_the_next_stimulus_all_along() -> None:
    rises = [at + 3_000 for at in STIMULI]
    pairing = run(STIMULI, rises)
    assert codes(pairing) == "P" * 12
    assert pairing.reaction_ns.tolist() == [3_000] * 12


def test_a_miss_among_late_answers_is_told_by_the_random_intervals() -> None:
    rises = [at + 3_000 for index, at in enumerate(STIMULI) if index != 5]
    pairing = run(STIMULI, rises)
    assert pairing.reaction_ns.tolist() == [3_000] * 11
    assert pairing.rise_ns[5] == NO_STAMP


def test_periodic_arrivals_with_a_miss_take_the_nearest_reading_when_the_first_is_answered() -> None:
    stimuli = list(range(0, 40_000, 1_000))
    pairing = run(stimuli, answers(stimuli, without=(17,)))
    assert codes(pairing) == "P" * 17 + "M" + "P" * 22


def test_periodic_arrivals_a_period_late_with_a_miss_are_all_ambiguous() -> None:
    stimuli = list(range(0, 40_000, 1_000))
    rises = [at + 1_400 for index, at in enumerate(stimuli) if index != 17]
    assert codes(run(stimuli, rises)) == "A" * 40


def test_overload_without_loss_is_paired_and_with_loss_is_ambiguous() -> None:
    rng = np.random.default_rng(5)
    stimuli = np.cumsum(100 + rng.exponential(900, 600)).astype(np.int64)
    rises = stimuli[0] + 1_010 * np.arange(1, 601)
    clean = pair(stimuli, rises, rises + 10, 10**7)
    assert clean.paired == 600
    assert np.array_equal(clean.rise_ns, rises)
    lossy = pair(stimuli, np.delete(rises, 300), [], 10**7)
    assert lossy.ambiguous > 590
    assert lossy.paired + lossy.ambiguous == 600


def test_a_gap_longer_than_the_window_parts_what_counting_would_join() -> None:
    # A miss, and far later a double answer: together they would count as a backlog.
    pairing = run([0, 1_000, 900_000, 901_500], [1_100, 900_100, 901_600, 901_700], window_ns=1_200)
    assert pairing.rise_ns[2] == 900_100
    assert pairing.rise_ns[3] == 901_600
    assert pairing.spurious_rise_ns.tolist() == [901_700]


def test_no_edges_at_all() -> None:
    assert run([], []).stimuli == 0
    only_rises = pair([], [5, 9], [7], 10)
    assert only_rises.spurious == 2
    assert only_rises.spurious_fall_ns.tolist() == [7]
    only_stimuli = pair([5, 9], [], [7], 10)
    assert codes(only_stimuli) == "MM"
    assert only_stimuli.spurious_fall_ns.tolist() == [7]


def test_the_order_of_the_edges_does_not_matter() -> None:
    rng = np.random.default_rng(3)
    rises = np.array(answers(STIMULI, without=(4,)))
    shuffled = pair(rng.permutation(STIMULI), rng.permutation(rises), rng.permutation(rises + 20), WINDOW_NS)
    assert np.array_equal(shuffled.status, run(STIMULI, rises.tolist()).status)
    assert shuffled.stimulus_ns.tolist() == STIMULI


def test_falls() -> None:
    fall, orphan = match_falls(np.array([10, 20, 30]), np.array([5, 10, 12, 15, 31, 40]))
    # 12 is the first after 10; none lies between 20 and 30: lost; a fall at the rise is not its own.
    assert fall.tolist() == [12, NO_STAMP, 31]
    assert orphan.tolist() == [5, 10, 15, 40]


def test_lost_falls_are_counted() -> None:
    rises = answers(STIMULI)
    pairing = pair(STIMULI, rises, [at + 20 for at in rises[1:]], WINDOW_NS)
    assert pairing.falls_lost == 1
    assert pairing.fall_ns[0] == NO_STAMP


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (([[1, 2]], [3], [4], 10), "stimulus_ns must have one dimension"),
        (([1], [3.5], [4], 10), "rise_ns must be whole nanoseconds"),
        (([1], [3], [NO_STAMP], 10), "fall_ns holds NO_STAMP"),
        (([1], [3], [4], 0), "window_ns must be positive"),
    ],
)
def test_bad_input_is_refused(arguments: tuple[list[int], list[int], list[int], int], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        pair(*arguments)


EDGES = st.lists(st.integers(0, 3_000), max_size=40)


@settings(max_examples=300)
@given(EDGES, EDGES, EDGES, st.integers(1, 2_000))
def test_whatever_comes_the_sums_hold(stimuli: list[int], rises: list[int], falls: list[int], window: int) -> None:
    pairing = pair(stimuli, rises, falls, window)
    assert pairing.paired + pairing.missed + pairing.coalesced + pairing.ambiguous == len(stimuli)
    paired = pairing.status == Status.PAIRED
    assert np.array_equal(pairing.rise_ns != NO_STAMP, paired)
    every = [pairing.rise_ns[paired], pairing.spurious_rise_ns, pairing.ambiguous_rise_ns]
    assert np.sort(np.concatenate(every)).tolist() == sorted(rises)
    assert pairing.responses == len(rises)
    held = pairing.fall_ns[pairing.fall_ns != NO_STAMP]
    every = [held, pairing.spurious_fall_ns, pairing.ambiguous_fall_ns]
    assert np.sort(np.concatenate(every)).tolist() == sorted(falls)
    assert np.all((pairing.reaction_ns >= 0) & (pairing.reaction_ns <= window))
    assert np.all(np.diff(pairing.rise_ns[paired]) >= 0)


@pytest.mark.parametrize(
    ("partner", "left"),
    [
        ([0, 1, 2, 3], [0, 1, 2, 3]),
        ([0, 2, 1, 3], [0, None, None, 3]),
        ([0, 1, 1, 3], [0, None, None, 3]),
        ([3, 0, 1, 2], [None, None, 1, 2]),
        ([2, 3, 1, 0], [2, None, None, None]),
    ],
)
def test_pairs_that_disagree_about_the_order_are_given_up(partner: list[int], left: list[int | None]) -> None:
    """Answers come in the order of their stimuli: of a later stimulus with an earlier answer neither is certain."""
    found = np.array(partner, np.int64)
    _give_up_contradictions(found)
    assert [None if index == UNCERTAIN_INDEX else index for index in found.tolist()] == left
