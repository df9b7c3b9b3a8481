import numpy as np
import pytest

from edgereply.report import readings
from edgereply.report.text import share
from edgereply.report.view import NO_STAMP
from tests.unit.host.report.runs import run, usual


def words(view: readings.Verdict) -> str:
    return " ".join((view.headline, *view.details))


def test_a_deadline_met_comes_with_a_bound() -> None:
    said = readings.verdict(run([100_000] * 3000))
    assert said.outcome == "met"
    assert said.headline == "Deadline of 2 ms met by all 3,000 stimuli."
    # Rule of three (Hanley and Lippman-Hand 1983, JAMA 249, 1743-1745): about 3 / 3000 = 0.1 %.
    assert "fewer than 0.1 % of stimuli" in words(said)


def test_late_and_missed_are_told_apart() -> None:
    usual = [100_000] * 332
    said = readings.verdict(run([*usual, 2_000_400, *usual, NO_STAMP, *usual, NO_STAMP, 100_000]))
    assert said.outcome == "exceeded"
    assert said.headline == (
        "Deadline of 2 ms not met by 3 of 1,000 stimuli: 1 late and 2 without an answer of their own."
    )
    assert "took 2.0004 ms against 2.0000 ms" in words(said)
    # Clopper-Pearson for 3 of 1000, from R's binom.test(3, 1000): 0.000619 to 0.008742 (from memory).
    assert "between 0.062 % and 0.87 %." in words(said)
    together = words(readings.verdict(run([*usual * 3, 100_000, 2_000_400, NO_STAMP, NO_STAMP])))
    assert "They cluster: the run is worth 315 independent stimuli, and the limits allow for it." in together
    assert "between 0.0063 % and 1.7 %" in together


def test_an_answer_at_the_deadline_is_in_time() -> None:
    assert readings.verdict(run([2_000_000])).outcome == "met"
    assert readings.verdict(run([2_000_001])).outcome == "exceeded"


@pytest.mark.parametrize(
    ("values", "deadline", "outcome", "headline"),
    [
        ([], 5, "open", "Nothing was measured."),
        ([NO_STAMP] * 3, 5, "exceeded", "None of 3 stimuli was answered."),
        ([NO_STAMP] * 3, None, "open", "None of 3 stimuli was answered."),
        ([7, NO_STAMP], None, "open", "1 of 2 stimuli answered; no deadline was set."),
    ],
)
def test_verdicts_without_much(values: list[int], deadline: int | None, outcome: str, headline: str) -> None:
    said = readings.verdict(run(values, deadline_ns=deadline))
    assert (said.outcome, said.headline) == (outcome, headline)


def test_a_run_that_stopped_early_says_so_first() -> None:
    said = readings.verdict(run([1000], status="incomplete: the cable came loose"))
    assert said.details[0].startswith("The run is incomplete: the cable came loose;")


def test_a_quantile_out_of_reach_is_not_left_out_silently() -> None:
    said = words(readings.verdict(run([1000] * 3)))
    assert "needs N ≥ 6" in said
    assert "tail spread needs N ≥ 3,688" in said


def test_tables_of_figures_add_up() -> None:
    view = usual()
    spread = readings.distribution([view])
    assert sum(int(row[1].replace(",", "")) for row in spread.rows) == int(view.answered().sum())
    parts = readings.over_time([view]).rows
    assert len(parts) == 10
    assert sum(int(row[3]) for row in parts) == int(view.late().sum()) == 5
    assert sum(int(row[4]) for row in parts) == int((~view.answered()).sum()) == 10
    by_time = {row[0]: row[1] for row in readings.tail([view]).rows}
    assert by_time["2.000 ms"] == "15 of 5,000 (0.3 %)"


def test_marks_that_are_left_out_are_owned_up_to() -> None:
    many = run([3_000_000] * 1501 + [NO_STAMP] * 1500)
    sentence = readings.over_time([many]).sentence
    assert "Only 1,500 are marked one by one: of A the slowest of its 1,501 late answers." in sentence
    assert "Only" not in readings.over_time([run([3_000_000] * 1500)]).sentence


def test_segments_and_pulses_in_words() -> None:
    view = usual()
    assert [row[0] for row in readings.segments([view]).rows] == ["Wake delay", "Outside"]
    assert [row[0] for row in readings.segments([view, view]).rows][:2] == ["Wake delay A", "Wake delay B"]
    no_fall = usual(pulse_width_ns=np.full(5000, NO_STAMP))
    assert "4,990 of A have no fall" in readings.persistence([no_fall]).sentence
    # 50 µs pulses, half of which began within 97 µs.
    at_100 = [row[1] for row in readings.persistence([view]).rows if row[0] == "100 µs"]
    rise = view.reaction_ns[view.answered()]
    assert at_100 == [share(int(((rise < 100_000) & (rise >= 50_000)).sum()), 5000)]


@pytest.mark.parametrize("name", ["distribution", "tail", "over_time", "persistence", "segments"])
def test_tables_are_rectangular_and_say_the_grade(name: str) -> None:
    views = [usual(), usual(seed=2, virtual=False, evidence="loop-back")]
    reading = getattr(readings, name)(views)
    assert reading.rows
    assert {len(row) for row in reading.rows} == {len(reading.header)}
    if name in ("distribution", "tail", "persistence"):
        assert reading.header[1:] == ("A (virtual · joined)", "B (loop-back)")
