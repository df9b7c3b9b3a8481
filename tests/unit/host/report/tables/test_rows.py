import numpy as np
import pytest

from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.evaluation.run_view import RunView, flatten, letter
from edgereply.report.tables.rows import condition_rows, summary_groups
from tests.unit.host.report.runs import run, shuffled, usual


def cells(views: list[RunView], group: str, row: str) -> list[tuple[str, str]]:
    [found] = [r for g in summary_groups(views) if g.label == group for r in g.rows if r.label == row]
    return [(cell.value, cell.interval) for cell in found.cells]


def test_figures_and_intervals_stand_side_by_side() -> None:
    plain = run(shuffled(100), segments={}, summary=run([]).summary)
    long, short = run(shuffled(100)), run([5000] * 3)
    # Conover's rank interval for n = 100, p = 0.5 at 95 %: ranks 40 and 61.
    assert cells([long, short, plain], "Reaction time", "median") == [
        ("50.0 µs", "40.0 µs to 74.0 µs"), ("needs 6 answers", ""), ("–", ""),
    ]  # fmt: skip
    assert cells([long], "Jitter of the reaction time", "peak-to-peak") == [("99.0 µs", "")]
    assert cells([long, plain], "Wake-up (wake delay)", "slowest") == [("50.0 µs", ""), ("–", "")]


def test_counts_come_with_their_share() -> None:
    view = usual()
    assert cells([view], "Counts", "late") == [("5 (0.1 %)", "")]
    assert cells([view], "Counts", "missed") == [("10 (0.2 %)", "")]
    assert cells([view], "Counts", "deadline") == [("2 ms", "")]
    free = run([1], deadline_ns=None, counts={})
    assert cells([free], "Counts", "late") == [("no deadline", "")]
    assert cells([free], "Counts", "missed") == [("not counted", "")]
    assert cells([run([1], counts={"stimuli": 1, "ambiguous": 1})], "Counts", "not matched") == [("1 (100 %)", "")]


def test_only_a_setting_known_on_both_sides_can_differ() -> None:
    found = {s.name: (s.requested, s.in_effect, s.differs) for s in condition_rows(run([1]))}
    assert found == {
        "wait": ("spin", "spin", False),
        "realtime.fifo_priority": ("80", "none", True),
        "realtime.cpus": ("3", "3", False),
        "clock": ("not stated", "monotonic", False),
    }


def test_settings_are_flattened() -> None:
    nested = {"a": {"b": {"c": True}}, "d": [], "e": [1, None], "f": {}}
    assert flatten(nested) == {"a.b.c": "yes", "d": "none", "e": "1, none"}


def test_letters() -> None:
    assert [letter(i) for i in (0, 25, 26, 52)] == ["A", "Z", "A2", "A3"]


def test_columns_of_different_length_are_refused() -> None:
    with pytest.raises(ValueError, match="pulse_width_ns must be int64"):
        run([1, 2], pulse_width_ns=np.array([1]))
    with pytest.raises(ValueError, match="segment hold"):
        run([1, 2], segments={"hold": np.array([1.0, 2.0])})


def test_the_timeline_is_in_order_of_time() -> None:
    view = run([5, 6, 7], stimulus_ns=np.array([30, NO_STAMP, 10]))
    since, reaction = view.timeline()
    assert (since.tolist(), reaction.tolist()) == ([0, 20], [7, 5])
