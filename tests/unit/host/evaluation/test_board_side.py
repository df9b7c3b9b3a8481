"""What an agent that only watches makes of a run: paired on the board's clock, and joined with the source's."""

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.analysis.pairing.result import Status
from edgereply.evaluation.board_side import watched
from edgereply.evaluation.evaluate import Evaluation, evaluate
from edgereply.storage.stamps import FALL, RISE, STIMULUS, BoardStamps, ObservedEdges, SourceStamps
from tests.fakes.made_runs import random_stimuli
from tests.fakes.records import WINDOW_NS

NONE = np.empty(0, np.int64)
NO_BOARD = BoardStamps(NONE, NONE, NONE, NONE, NONE.astype(np.uint32), NONE.astype(np.uint32))
COUNT = 400
REACTION_NS = 40_000 + np.random.default_rng(5).integers(0, 9_000, COUNT)
WIDTH_NS = 25_000
BOOT_NS = 7_200_000_000_000
DRIFT = 40e-6
OUTSIDE_NS = 300


def observed(kinds: dict[int, Int64s]) -> ObservedEdges:
    """Edges as an agent reports them: a line after the other, so not in order."""
    at = np.concatenate(list(kinds.values()))
    kind = np.concatenate([np.full(len(times), kind, np.uint8) for kind, times in kinds.items()])
    return ObservedEdges(at, kind, np.arange(1, len(at) + 1, dtype=np.uint32))


def by_the_board(source_ns: Int64s) -> Int64s:
    """The same moments by the board's clock."""
    return BOOT_NS + source_ns + (source_ns * DRIFT).astype(np.int64)


def run(captures: bool, unseen: Int64s, missed: Int64s) -> Evaluation:
    """A run whose stimuli `unseen` left no stamp at the tap and whose stimuli `missed` were not answered."""
    stimulus = random_stimuli(COUNT, 8)
    answering = ~np.isin(np.arange(COUNT), missed)
    rise = (stimulus + REACTION_NS)[answering]
    seen = ~np.isin(np.arange(COUNT), unseen)
    edges = observed(
        {
            STIMULUS: by_the_board(stimulus)[seen],
            RISE: by_the_board(rise - OUTSIDE_NS),
            FALL: by_the_board(rise - OUTSIDE_NS + WIDTH_NS),
        }
    )
    everything = np.full(COUNT, NO_STAMP, np.int64), np.full(COUNT, NO_STAMP, np.int64)
    if captures:
        for column, times in zip(everything, (rise, rise + WIDTH_NS), strict=True):
            column[answering] = times
    return evaluate(SourceStamps(stimulus, *everything), NO_BOARD, WINDOW_NS, 48_000, captures, edges)


def test_with_a_source_that_captures_the_watched_run_is_joined() -> None:
    unseen, missed = np.array([17, 230]), np.array([99])
    result = run(True, unseen, missed)
    assert result.evidence == "joined"
    assert set(result.segments) == {"inside", "outside"}
    assert (result.counts["stimuli"], result.counts["responses"], result.counts["missed"]) == (COUNT, COUNT - 1, 1)
    assert (result.counts["joined"], result.counts["unseen"]) == (COUNT - 2, 2)
    both = ~np.isin(np.arange(COUNT), np.concatenate([unseen, missed]))
    # The board's clock is 40 ppm fast, 2 ns in 49 µs; each stamp is a whole number.
    assert np.abs(result.segments["inside"][both] - (REACTION_NS - OUTSIDE_NS)[both]).max() <= 4
    assert np.abs(result.segments["outside"][both] - OUTSIDE_NS).max() <= 4
    for values in result.segments.values():
        assert (values[~both] == NO_STAMP).all()
    # An edge the observer has not seen was answered all the same.
    assert (result.status[unseen] == Status.PAIRED).all()
    assert result.status[missed] == Status.MISSED


def test_with_a_source_that_only_emits_the_taps_alone_tell() -> None:
    missed = np.array([99])
    result = run(False, NONE, missed)
    assert result.evidence == "inside"
    answers = ~np.isin(np.arange(COUNT), missed)
    assert np.abs(result.reaction_ns[answers] - (REACTION_NS - OUTSIDE_NS)[answers]).max() <= 4
    assert np.abs(result.pulse_width_ns[answers] - WIDTH_NS).max() <= 2
    assert result.counts["missed"] == 1
    assert result.counts["late"] == np.count_nonzero(REACTION_NS[answers] - OUTSIDE_NS > 48_000)
    assert set(result.segments) == {"inside"}
    assert "kernel stamps of the board's taps" in result.notes[0]


def test_stimuli_the_tap_has_not_shown_are_in_no_figure_and_told() -> None:
    result = run(False, np.array([17, 230]), NONE)
    assert (result.counts["stimuli"], result.counts["unseen"]) == (COUNT - 2, 2)
    assert (result.counts["missed"], result.counts["spurious"]) == (0, 2)
    assert any("2 stimuli left no stamp at the stimulus tap" in note for note in result.notes)


def test_without_a_tap_for_falls_there_are_no_widths_and_it_is_told() -> None:
    stimulus = random_stimuli(50, 3)
    edges = observed({STIMULUS: stimulus, RISE: stimulus + 30_000})
    inside = watched(edges, WINDOW_NS)
    assert (inside.answer_ns == 30_000).all()
    assert (inside.width_ns == NO_STAMP).all()
    assert any("response_fall_tap" in note for note in inside.notes)
    with_falls = observed({STIMULUS: stimulus, RISE: stimulus + 30_000, FALL: stimulus + 39_000})
    assert not any("response_fall_tap" in note for note in watched(with_falls, WINDOW_NS).notes)


def test_answers_whose_fall_the_source_lost_are_counted() -> None:
    stimulus = random_stimuli(60, 2)
    rise = stimulus + 12_000
    fall = np.where(np.arange(60) % 3 == 0, NO_STAMP, rise + 31_000)
    result = evaluate(SourceStamps(stimulus, rise, fall), NO_BOARD, WINDOW_NS, None)
    assert result.counts["falls_lost"] == 20
    assert np.count_nonzero(result.pulse_width_ns == 31_000) == 40
    whole = evaluate(SourceStamps(stimulus, rise, rise + 31_000), NO_BOARD, WINDOW_NS, None)
    assert "falls_lost" not in whole.counts


def test_a_route_without_kernel_stamps_keeps_its_other_segments() -> None:
    at = random_stimuli(30, 1)
    board = BoardStamps(np.full(30, NO_STAMP, np.int64), at, at + 20, at + 90, *(np.arange(30, dtype=np.uint32),) * 2)
    result = evaluate(SourceStamps(at, *(np.full(30, NO_STAMP, np.int64),) * 2), board, WINDOW_NS, None, captures=False)
    assert (result.segments["set_time"] == 20).all()
    assert (result.segments["hold"] == 70).all()
    assert (result.counts["stimuli"], result.counts["responses"], result.counts["missed"]) == (30, 0, 0)
