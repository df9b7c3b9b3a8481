from dataclasses import replace
from typing import Any

import numpy as np

from edgereply.analysis.statistics.summary import summarise
from edgereply.evaluation.run_view import RunView
from edgereply.report.tables.interval_words import METHOD, interval_words
from edgereply.wording.numbers import interval


def view(reaction: dict[str, Any]) -> RunView:
    nothing = np.empty(0, np.int64)
    return RunView(
        title="gate", evidence="loop-back", virtual=False, condition_requested={}, condition_in_effect={},
        environment={}, counts={}, summary={"reaction": reaction}, reaction_ns=nothing, stimulus_ns=nothing,
        pulse_width_ns=nothing,
    )  # fmt: skip


def test_independent_answers_take_the_method_alone() -> None:
    reaction = summarise(np.random.default_rng(1).integers(0, 9_000, 5_000)).as_dict()
    assert interval_words([view(reaction)]) == [METHOD]
    assert interval_words([view({})]) == [METHOD]


def test_clustered_answers_are_told_with_what_they_are_worth() -> None:
    rng = np.random.default_rng(8)
    values = 50_000 + rng.integers(0, 9_000, 20_000) + 60_000 * np.repeat(rng.random(1000) < 0.02, 20)
    reaction = summarise(values).as_dict()
    worth = reaction["effective_count"]
    assert isinstance(worth, dict)
    said = interval_words([view(reaction)])[1]
    # Twenty late answers beyond p99.9, of one disturbance or two, are too few to say how many there are.
    assert said == (
        "Slow answers come in groups, too few for a range of the p99.9 (effective sample size "
        f"{worth['p99_9_ns']:,} of 20,000); measure longer."
    )
    both = interval_words([view({}), replace(view(reaction))])
    assert both[1].startswith("B: slow answers come in groups")


def test_what_is_rough_says_so_in_the_place_of_the_interval() -> None:
    reaction = summarise(np.repeat([10_000, 90_000], [5_880, 120])).as_dict()
    assert interval(reaction, "p99_ns") == "rough: too few slow answers, or in groups"
    assert interval(reaction, "max_ns") == ""
    said = interval_words([view(reaction)])[1]
    assert said.startswith("Slow answers come in groups, too few for a range of the p90 (")
    assert said.endswith("; measure longer.")


def test_a_run_worth_less_than_two_answers_is_not_said_to_be_worth_none() -> None:
    said = [interval_words([view({"count": 500, "effective_count": {"median_ns": worth}})])[1] for worth in (0, 1, 2)]
    assert [line.partition("(")[2] for line in said] == [
        "they count as one at most).", "they count as one at most).", "effective sample size 2 of 500).",
    ]  # fmt: skip
