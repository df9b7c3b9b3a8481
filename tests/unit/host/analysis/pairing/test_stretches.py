"""Certain anchors and the stretches between."""

from __future__ import annotations

import numpy as np

from edgereply.analysis.pairing.posterior import UNCERTAIN_INDEX, Settled
from edgereply.analysis.pairing.reaction_likelihood import Pieces, cut_pieces
from edgereply.analysis.pairing.reaction_likelihood import _write as write
from edgereply.analysis.pairing.stretches import (
    Anchors,
    Stretches,
    balanced,
    find_anchors,
    find_stretches,
    long_runs,
    no_anchors,
    spread,
)
from edgereply.analysis.pairing.usual_reaction import Usual

USUAL = Usual(90, 110, 0.95, 0.01, 2, several=False)


def stretches(*rows: tuple[int, int, int, int]) -> Stretches:
    """One stretch a row: stimulus start, end, rise start, end."""
    return Stretches(*(np.array(column, dtype=np.int64) for column in zip(*rows, strict=True)))


def test_a_response_that_two_stimuli_claim_has_no_anchor() -> None:
    stimulus = np.array([0, 1_000, 2_000, 2_008, 3_000, 4_000])
    anchors = find_anchors(stimulus, np.array([100, 1_100, 2_103, 3_100, 4_100]), USUAL)
    assert anchors.hit.tolist() == [True] * 6
    assert anchors.anchor.tolist() == [True, True, False, False, True, True]


def test_a_run_shorter_than_chance_gives_has_no_anchor() -> None:
    stimulus = np.array([0, 1_000, 2_000, 3_000])
    anchors = find_anchors(stimulus, np.array([100, 1_500, 2_100, 3_100]), USUAL)
    assert anchors.anchor.tolist() == [False, False, True, True]


def test_nothing_crosses_a_gap_longer_than_the_window() -> None:
    stimulus = np.array([0, 50, 1_000, 1_050])
    found = find_stretches(stimulus, np.array([-5, 60, 170, 1_010, 1_020, 1_200]), no_anchors(4), 100)
    # The rises at -5, 170 and 1200 can answer nothing.
    assert found.stimulus_start.tolist() == [0, 2]
    assert found.stimulus_end.tolist() == [2, 4]
    assert found.rise_start.tolist() == [1, 3]
    assert found.rise_end.tolist() == [2, 5]


def test_a_balanced_stretch_must_be_possible() -> None:
    one = stretches((0, 2, 0, 2))
    anchors = no_anchors(2)
    assert balanced(one, np.array([0, 100]), np.array([150, 160]), anchors, None, 150).tolist() == [True]
    assert balanced(one, np.array([0, 100]), np.array([151, 160]), anchors, None, 150).tolist() == [False]
    assert balanced(one, np.array([0, 100]), np.array([50, 60]), anchors, None, 150).tolist() == [False]


def test_a_long_backlog_at_a_steady_pace_may_have_a_chance_hit() -> None:
    stimulus = np.arange(0, 2_000, 100)
    rise = 1_000 + 105 * np.arange(20)
    hit = np.zeros(20, dtype=np.bool_)
    hit[7] = True
    anchors = Anchors(np.zeros(20, dtype=np.int64), hit, np.zeros(20, dtype=np.bool_))
    one = stretches((0, 20, 0, 20))
    assert balanced(one, stimulus, rise, anchors, USUAL, 10**6).tolist() == [True]
    hit[3:15] = True
    assert balanced(one, stimulus, rise, anchors, USUAL, 10**6).tolist() == [False]
    hit[:] = np.arange(20) == 7
    assert balanced(one, stimulus, 1_000 + 300 * np.arange(20), anchors, USUAL, 10**6).tolist() == [False]


def test_what_lies_between_doubtful_stimuli_is_doubtful() -> None:
    part = stretches((3, 8, 2, 5))
    whole = np.array([False])
    partner, spurious = np.full(10, 77, dtype=np.int64), np.zeros(6, dtype=np.bool_)
    settled = Settled(np.array([[0, UNCERTAIN_INDEX, 1, UNCERTAIN_INDEX, 2]]), np.array([[False, True, False]]))
    write(settled, Pieces(part, part, whole, whole), partner, spurious)
    doubtful = [UNCERTAIN_INDEX] * 3
    assert partner.tolist() == [77, 77, 77, 2, *doubtful, 4, 77, 77]
    assert spurious.tolist() == [False, False, False, True, False, False]


def test_pieces_cover_a_long_stretch_once_with_what_competes_around() -> None:
    stimulus = np.arange(0, 2_000_000, 1_000)
    rise = stimulus[::2] + 500
    pieces = cut_pieces(stretches((5, 1_900, 3, 950)), stimulus, rise, 20_000)
    covered, _ = spread(pieces.core.stimulus_start, pieces.core.stimuli)
    assert covered.tolist() == list(range(5, 1_900))
    covered, _ = spread(pieces.core.rise_start, pieces.core.rises)
    assert covered.tolist() == list(range(3, 950))
    reach = pieces.core.stimulus_start - pieces.part.stimulus_start
    assert np.all((reach >= 20) | (pieces.part.stimulus_start == 5))
    assert pieces.open_start.tolist() == [False] + [True] * (pieces.open_start.size - 1)
    assert np.all(pieces.part.stimuli <= 128 + 41)


def test_long_runs() -> None:
    flag = np.array([True, True, False, True, False, True, True, True])
    assert np.flatnonzero(long_runs(flag, 2)).tolist() == [0, 1, 5, 6, 7]
    assert np.flatnonzero(long_runs(flag, 3)).tolist() == [5, 6, 7]
    assert flag.sum() == 6
