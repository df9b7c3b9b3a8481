"""What became of pairs, by what matching says and by how many answers there were."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.analysis.lateness.dead_time import Fate
from edgereply.analysis.pairing.result import Status
from edgereply.evaluation.evaluate import evaluate
from edgereply.evaluation.gaps import Gaps, gaps_of, together
from edgereply.storage.stamps import BoardStamps, SourceStamps

P, A, M, C, U = Status.PAIRED, Status.AMBIGUOUS, Status.MISSED, Status.COALESCED, Status.UNOBSERVED
PERIOD, GAP, REACTION = 1_000_000, 10_000, 30_000
GAPS = (10_000, 20_000, 40_000, 80_000)
PLAN = {"pattern": "pairs", "period_ns": PERIOD, "shortest_gap_ns": GAP, "longest_gap_ns": GAP}


def fate_of(statuses: tuple[Status, Status], answers: list[int], deadline_ns: int | None = None) -> Fate:
    """The fate of a pair at 0 and 10 µs with answers at these times, between two pairs that were answered."""
    base = np.array([0, GAP], np.int64)
    stimulus = np.concatenate([base, base + 2 * PERIOD, base + 4 * PERIOD])
    around = [REACTION, REACTION + GAP]
    rise = np.array(around + [2 * PERIOD + at for at in answers] + [4 * PERIOD + at for at in around], np.int64)
    status = np.array([P, P, *statuses, P, P], np.uint8)
    reaction = np.full(6, REACTION, np.int64)
    left = list(answers)
    for index in (0, 1):
        paired = statuses[index] == P
        reaction[2 + index] = left.pop(0) - index * GAP if paired else NO_STAMP
    found = gaps_of(PLAN, stimulus, rise, status, reaction, deadline_ns)
    assert found is not None
    (step,) = found.steps
    assert step.pairs == 3
    others = {fate: getattr(step, fate.name.lower()) - 2 * (fate is Fate.ANSWERED) for fate in Fate}
    (fate,) = (fate for fate, count in others.items() if count)
    return fate


@pytest.mark.parametrize(
    ("statuses", "answers", "deadline_ns", "fate"),
    [
        ((P, P), [30_000, 40_000], None, Fate.ANSWERED),
        ((P, P), [30_000, 50_000], 35_000, Fate.LATE),
        ((P, P), [50_000, 52_000], 45_000, Fate.LATE),
        ((P, C), [30_000], None, Fate.COALESCED),
        ((P, M), [30_000], None, Fate.COALESCED),  # it came when both edges were there
        ((P, M), [8_000], None, Fate.MISSED),  # it came before the second edge
        ((M, P), [40_000], None, Fate.COALESCED),
        ((M, M), [], None, Fate.MISSED),
        ((A, A), [30_000, 40_000], None, Fate.ANSWERED),
        ((A, A), [30_000, 50_000], 35_000, Fate.LATE),
        ((A, A), [30_000], None, Fate.COALESCED),
        ((A, A), [8_000], None, Fate.MISSED),
        ((A, A), [], None, Fate.MISSED),
        ((A, A), [30_000, 1_500_000], None, Fate.UNKNOWN),  # as late as the next pair: it may be anybody's
        ((P, U), [30_000], None, Fate.UNKNOWN),
    ],
)
def test_the_fate_of_a_pair(
    statuses: tuple[Status, Status], answers: list[int], deadline_ns: int | None, fate: Fate
) -> None:
    assert fate_of(statuses, answers, deadline_ns) is fate


def test_other_patterns_and_plans_of_old_runs_have_no_pairs() -> None:
    nothing = np.zeros(0, np.int64)
    for plan in ({}, {"pattern": "uniform", "period_ns": 1}, PLAN | {"shortest_gap_ns": 0}, PLAN):
        assert gaps_of(plan, nothing, nothing, nothing.astype(np.uint8), nothing, None) is None


def _run(pairs: int, dead_ns: int, seed: int = 1, gaps: Sequence[int] = GAPS) -> Gaps:
    """A board that merges edges closer than `dead_ns`, evaluated by its source's stamps as any run is."""
    rng = np.random.default_rng(seed)
    gap = rng.choice(gaps, pairs)
    first = np.cumsum(rng.integers(PERIOD * 2, PERIOD * 3, pairs))
    stimulus = np.sort(np.concatenate([first, first + gap])).astype(np.int64)
    answered = np.sort(np.concatenate([first[gap >= dead_ns], first + gap]))
    rise = (answered + 15_000 + rng.integers(0, 500, len(answered))).astype(np.int64)
    stamps = [(at, NO_STAMP, NO_STAMP) for at in stimulus] + [(NO_STAMP, at, NO_STAMP) for at in rise]
    stamps += [(NO_STAMP, NO_STAMP, at + 3_000) for at in rise]
    columns = [np.array(column, np.int64) for column in zip(*stamps, strict=True)]
    nobody = [np.zeros(0, np.int64) for _ in range(4)] + [np.zeros(0, np.uint32) for _ in range(2)]
    plan = PLAN | {"longest_gap_ns": 80_000}
    found = evaluate(SourceStamps(*columns), BoardStamps(*nobody), 10**8, None, plan=plan).gaps  # type: ignore[arg-type]
    assert found is not None
    return found


def test_a_board_that_merges_close_edges_is_found_out_from_stamps_alone() -> None:
    found = _run(16_000, dead_ns=30_000)
    shares = {step.low_ns: step.answered / step.pairs for step in found.steps}
    assert shares == {10_000: 0.0, 20_000: 0.0, 40_000: 1.0, 80_000: 1.0}
    assert found.dead_time.gap_ns == found.clear_from_ns == 40_000
    first, second = found.sentences()
    assert first.startswith("Dead time: two edges 40.0 µs or more apart are both answered in at least 99.9 % of cases")
    assert first.endswith("Of those 20.0 µs apart that is not so, or not sure.")
    assert "one answer for both" in second


def test_too_few_pairs_are_told_with_what_it_takes() -> None:
    first, second = _run(400, dead_ns=30_000).sentences()
    assert first.startswith("No dead time can be named: a claim of 99.9 % takes 2,995 pairs a gap")
    assert second.startswith("In this run all ")
    assert " pairs 40.0 µs or more apart were answered; of the " in second


def test_losses_at_the_longest_gap_are_told() -> None:
    first, second = _run(3_100, dead_ns=10**9, gaps=GAPS[-1:]).sentences()
    assert first.startswith("No dead time found: even of edges ")
    assert "pairs with the longest gaps, 80.0 µs" in second


def test_gaps_that_end_before_it_is_over_are_told() -> None:
    found = replace(_run(400, dead_ns=30_000), median_ns=50_000)
    assert found.sentences()[-1].startswith(
        "The longest gap, 80.0 µs, is less than 3 usual reaction times (50.0 µs each)"
    )


def test_rounds_go_together_and_a_round_without_pairs_spoils_it() -> None:
    one, other = _run(8_000, dead_ns=30_000), _run(8_000, dead_ns=30_000, seed=2)
    both = together([one, other])
    assert both is not None
    assert both.pairs == one.pairs + other.pairs
    assert one.dead_time.gap_ns != both.dead_time.gap_ns == 40_000
    assert together([one, None]) is None
    assert together([]) is None
