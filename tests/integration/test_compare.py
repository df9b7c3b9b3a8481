"""Finished runs and series beside each other and against a baseline, on software wires."""

from __future__ import annotations

import pytest
from tests.integration.commands import Workplace, bench_text, explained

PLAN = """
repeats = 2
count = 300
[axes]
wait = ["block", "spin"]
"""


@pytest.fixture
def runs(place: Workplace) -> Workplace:
    """Two runs alike, and one of which a fifth of the stimuli reaches the board a millisecond late."""
    for name, options in (("a", "seed = 1"), ("b", "seed = 2"), ("late", "late = 0.2, late_us = 1000")):
        # Further apart than they are late: no edge overtakes another.
        place.write(bench_text(options=options, rate="500/s", floor="1500us", count=900))
        done = place.run("measure", "--out", name, "--json")
        assert done.code == 0, done.err
    return place


def test_runs_beside_each_other(runs: Workplace) -> None:
    done = runs.run("compare", "a", "b", "late", "--deadline", "500us", "--details")
    assert done.code == 0, done.err
    lines = [line for line in done.out.splitlines() if line[:2] in ("A:", "B:", "C:")]
    assert [line[0] for line in lines] == ["A", "B", "C"] * 2, "the table with intervals, then the answer"
    assert all("VIRTUAL" in line for line in lines[:3])
    assert "VIRTUAL" in done.out.splitlines()[done.out.splitlines().index(lines[3]) - 1]
    told = runs.run("compare", "a", "b", "late", "--deadline", "500us", "--json").document
    assert [run["deadline_ns"] for run in told["runs"]] == [500_000] * 3
    # A fifth of 900: what is not known to be late or missing is told to be unknown, never in time.
    late = told["runs"][2]
    assert late["late"] + late["missed"] + late["ambiguous"] > 150
    assert (told["runs"][2]["margin_ns"], told["runs"][2]["margin_why_not"]) == (None, "needs 3,688 answers")
    assert {pair["outcome"] for pair in told["pairs"]} <= {"same", "different", "cannot tell"}
    assert told["matters"] == 0.05
    strict = runs.run("compare", "a", "b", "--matters", "0%", "--json").document
    assert strict["matters"] == 0.0
    assert "same" not in {pair["outcome"] for pair in strict["pairs"]}
    assert "deadline" not in told["differences"]
    assert all(run["respects"]["virtual"] == "yes" for run in told["runs"])


def test_a_late_run_fails_the_check_and_a_run_passes_against_itself(runs: Workplace) -> None:
    done = runs.run("compare", "--baseline", "a", "late", "--fail-if", "p90 +300us")
    assert done.code == 1, done.out + done.err
    assert "virtual" in done.out
    assert "WORSE" in done.out or "NOT ENOUGH DATA" in done.out
    told = runs.run("compare", "--baseline", "late", "late", "--fail-if", "p90 +50%", "--json")
    assert told.document["checks"][0]["new_ns"] == told.document["checks"][0]["base_ns"]
    assert told.code == (1 if told.document["failed"] else 0)
    short = runs.run("compare", "--baseline", "a", "b", "--fail-if", "p99.9 +10%", "--json")
    assert short.code == 1
    assert short.document["checks"][0]["outcome"] == "not enough data"
    assert short.document["checks"][0]["needed"] == 3_688


def test_a_series_is_taken_whole(place: Workplace) -> None:
    place.write(bench_text())
    place.write(PLAN, "plan.toml")
    done = place.run("sweep", "plan.toml", "--out", "series")
    assert done.code == 0, done.err
    told = place.run("compare", "series", "--json").document
    assert [run["name"] for run in told["runs"]] == ["block", "spin"]
    assert [run["stimuli"] for run in told["runs"]] == [600, 600]
    assert set(told["differences"]) >= {"wait"}
    assert [pair["why_not"] for pair in told["pairs"] if pair["figure"] == "median_ns"] == ["needs 6 rounds"]
    assert told["compared"] == ["wait"]
    explained(place.run("compare", "--baseline", "series", "series", "--fail-if", "p90 +1%"), 2, "has 2 conditions")


def test_bad_calls_are_explained(place: Workplace) -> None:
    explained(place.run("compare", "none"), 2, "none")
    explained(place.run("compare", "none", "--matters", "much"), 2, "'much' is not a share")
    explained(place.run("compare", "none", "--matters", "150%"), 2, "is not within 0 to 100 %")
    explained(place.run("compare", "none", "--fail-if", "p99 +1%"), 2, "a check takes a baseline")
    explained(place.run("compare", "x", "--baseline", "y", "--fail-if", "soon"), 2, "is not a rule")
