from pathlib import Path

import numpy as np
import pytest

from edgereply.analysis.statistics.sequential import look_count
from edgereply.errors import SettingError
from edgereply.measurement.run import Run
from edgereply.measurement.stopping_rule import Goal, StoppingRule, parse_goal
from edgereply.sources.base import StimulusPlan
from edgereply.storage.run_writer import RunWriter
from tests.fakes.at_once import AtOnce
from tests.fakes.made_runs import random_stimuli
from tests.fakes.records import run_record
from tests.fakes.scripted_source import ScriptedSource, batch

MS = 1_000_000


@pytest.mark.parametrize(
    ("text", "goal"),
    [
        ("p99.9 within 5%", Goal(0.999, 0.05)),
        ("median within 1 %", Goal(0.5, 0.01)),
        (" p90 within 2.5% ", Goal(0.9, 0.025)),
    ],
)
def test_goals_are_read(text: str, goal: Goal) -> None:
    read = parse_goal(text)
    assert [read.p, read.within] == pytest.approx([goal.p, goal.within])


@pytest.mark.parametrize(
    "text", ["", "p0 within 5%", "p100 within 5%", "p99 within 0%", "p99", "mean within 5%", "p99 within 5"]
)
def test_what_is_no_goal_says_how_to_write_one(text: str) -> None:
    with pytest.raises(SettingError, match=r"p99\.9 within 5%"):
        parse_goal(text)


def edges(count: int, spread_ns: int) -> list[tuple[int, int]]:
    stimuli = random_stimuli(count, 11)
    reactions = 100_000 + np.random.default_rng(12).integers(0, spread_ns, count)
    pairs = [(1, int(at)) for at in stimuli] + [(2, int(a + r)) for a, r in zip(stimuli, reactions, strict=True)]
    return sorted(pairs, key=lambda edge: edge[1])


def fed(enough: StoppingRule, all_edges: list[tuple[int, int]]) -> int | None:
    for number, start in enumerate(range(0, len(all_edges), 50)):
        if enough(batch(all_edges[start : start + 50])):
            return number
    return None


def test_a_narrow_distribution_is_known_early_and_a_wide_one_is_not() -> None:
    narrow = StoppingRule(Goal(0.5, 0.05), 10 * MS, executor=AtOnce())
    stopped = fed(narrow, edges(2_000, 2_000))
    assert stopped is not None
    assert narrow.last is not None
    assert narrow.last.precise
    assert "reached at" in narrow.sentence()
    wide = StoppingRule(Goal(0.5, 0.0001), 10 * MS, executor=AtOnce())
    assert fed(wide, edges(1_000, 80_000)) is None
    assert "not reached" in wide.sentence() or "no look" in wide.sentence()


def test_no_look_comes_before_its_planned_count() -> None:
    enough = StoppingRule(Goal(0.9, 0.5), 10 * MS, executor=AtOnce())
    few = edges(look_count(1, 0.9) - 2, 2_000)
    assert fed(enough, few) is None
    assert enough.last is None


class Obedient(ScriptedSource):
    """Sends nothing more once it was told to stop."""

    def abort(self) -> None:
        super().abort()
        self.drop_rest()


def test_a_run_that_knows_enough_is_complete_and_stops_its_source(tmp_path: Path) -> None:
    plan = edges(4_000, 2_000)
    steps = [batch(plan[start : start + 100]) for start in range(0, len(plan), 100)]
    source = Obedient(steps)
    enough = StoppingRule(Goal(0.5, 0.05), 10 * MS, executor=AtOnce())
    writer = RunWriter(tmp_path / "run", run_record())
    outcome = Run(None, source, writer, StimulusPlan(count=4_000), lambda tally, latest: None, enough).execute()
    assert (outcome.state, outcome.reason) == ("complete", "")
    assert outcome.tally.stimuli < 4_000
    assert source.calls[-1] == "abort"
