"""Headlines of the sides of a comparison: judged as `verdict` judges, named in one sentence."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.uncertainty import KnownTo
from edgereply.comparison.condition_headlines import deadline_sentence, entry_headline, entry_outcome
from edgereply.comparison.entries import LOST_NS, Entry, EvaluatedRun, make_entry, part_of
from edgereply.evaluation.verdict import judge_run
from tests.fakes.made_runs import a_record, from_reactions, random_stimuli

MS = 1_000_000


def entry(reaction_ns: list[int], missed: int = 0, ambiguous: int = 0, **changes: Any) -> Entry:
    answers = np.array(reaction_ns, np.int64)
    outcomes = np.concatenate([answers, np.full(missed, LOST_NS)])
    late = int((answers > 2 * MS).sum())
    values: dict[str, Any] = {
        "name": "block", "places": ("run",), "blocks": (answers,), "outcomes_ns": outcomes,
        "counts": {
            "stimuli": answers.size + missed + ambiguous, "responses": answers.size, "missed": missed, "spurious": 0,
            "coalesced": 0, "ambiguous": ambiguous, "late": late,
        },
        "evidence": "joined", "virtual": True, "deadline_ns": 2 * MS, "respects": {},
    }  # fmt: skip
    return Entry(**(values | changes))


# 299 answers in time rule out one late in a hundred with 95 % confidence: 1 - 0.05 ** (1 / 299) = 0.00997 (rule of
# three's exact form, Hanley and Lippman-Hand 1983, from memory).
@pytest.mark.parametrize(
    ("side", "outcome"),
    [
        (entry([MS] * 299), "pass"),
        (entry([MS] * 298), "not enough data"),
        (entry([MS] * 400 + [3 * MS] * 40), "fail"),
        (entry([MS] * 400, missed=40), "fail"),
        (entry([MS] * 299, ambiguous=1), "not enough data"),
        (entry([MS] * 299, locked=True), "not enough data"),
        (entry([MS] * 400 + [3 * MS] * 40, locked=True), "fail"),
        (entry([MS] * 400, deadline_ns=None), ""),
        (entry([]), ""),
        (entry([MS] * 300 + [2 * MS - 10], known_to=KnownTo(1_000.0, 100.0)), "not enough data"),
    ],
)
def test_a_side_is_judged_as_a_run_is(side: Entry, outcome: str) -> None:
    assert entry_headline(side).outcome == outcome


def test_a_side_has_its_figures_and_counts() -> None:
    found = entry_headline(entry(list(range(1, 1001)), missed=2, ambiguous=3, trouble=("round 1 of block: failed: x",)))
    assert (found.best_ns, found.typical_ns, found.p99_ns, found.worst_ns) == (1, 500, 990, 1000)
    assert (found.stimuli, found.missed, found.unmatched) == (1005, 2, 3)
    assert found.cut == "Not complete: 1 block failed: x."
    assert entry_headline(entry([5, 6, 7])).p99_ns is None, "three answers have no 99th percentile"


def test_one_sentence_says_who_keeps_the_deadline() -> None:
    def named(name: str, **how: Any) -> Any:
        return entry_headline(entry(**how), name)

    good, bad = {"reaction_ns": [MS] * 299}, {"reaction_ns": [3 * MS] * 40}
    short = {"reaction_ns": [MS]}
    sides = [named("A", **good), named("B", **bad), named("C", **short), named("D", **bad)]
    assert deadline_sentence(sides) == "Deadline 2 ms: kept by A; NOT kept by B and D; not proven for C."
    assert deadline_sentence(sides[1:2] * 2) == "Deadline 2 ms: NOT kept by any of the 2."
    assert deadline_sentence([sides[0]] * 6) == "Deadline 2 ms: kept by all 6."
    assert deadline_sentence([sides[0]] + [sides[1]] * 5) == "Deadline 2 ms: kept by A; NOT kept by 5 of them."
    assert deadline_sentence([named("A", reaction_ns=[MS], deadline_ns=None)]) == (
        "No deadline was set, so none is judged."
    )


@pytest.mark.parametrize("stimuli", [np.arange(3000) * 10 * MS, random_stimuli(3000, 1)], ids=["in step", "random"])
@pytest.mark.parametrize("late", [0, 1, 40])
def test_compare_judges_a_run_as_verdict_does(stimuli: Int64s, late: int) -> None:
    reaction = 100_000 + np.random.default_rng(2).integers(0, 20_000, 3000)
    reaction[100 : 100 + late] = 3 * MS
    found = from_reactions(stimuli, reaction, 2 * MS)
    side = make_entry("block", [part_of(EvaluatedRun(Path("run"), a_record(), found, 2 * MS))])
    assert entry_outcome(side) == judge_run(found, 2 * MS, 0.95, None, False).outcome
