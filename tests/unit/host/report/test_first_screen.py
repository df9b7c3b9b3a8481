import re
from dataclasses import replace
from itertools import pairwise

import pytest

from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.evaluation.run_view import RunView
from edgereply.report.document import page
from edgereply.report.first_screen import counts_sentence, first_screen, verdict_sentence
from tests.unit.host.report.runs import run, usual


def judged(*outcomes: str, deadline_ns: int | None = 2_000_000) -> list[RunView]:
    return [usual(judged=outcome, deadline_ns=deadline_ns) for outcome in outcomes]


@pytest.mark.parametrize(
    ("outcomes", "whole", "sentence"),
    [
        (("pass", "pass"), "pass", "Deadline 2 ms: kept by both."),
        (("fail", "fail", "fail"), "fail", "Deadline 2 ms: kept by none of the 3."),
        (("pass", "fail"), "fail", "Deadline 2 ms: kept by A; not kept by B."),
        (("pass", "not enough data", "pass"), "open", "Deadline 2 ms: kept by A and C; not enough answers of B."),
        (("pass", ""), "open", "Deadline 2 ms: kept by A; not judged: B."),
        (("pass",) * 8 + ("fail",), "fail", "Deadline 2 ms: kept by 8 of 9; not kept by I."),
    ],
)
def test_the_verdict_of_several_runs_is_one_sentence(outcomes: tuple[str, ...], whole: str, sentence: str) -> None:
    assert verdict_sentence(judged(*outcomes)) == (whole, sentence)


def test_late_missed_and_not_matched_stand_beside_the_verdict() -> None:
    view = usual()
    unclear = replace(view, counts={**view.counts, "missed": 7, "ambiguous": 3})
    assert counts_sentence([view]) == "5 late and 10 missed of 5,000 stimuli"
    assert counts_sentence([view, unclear]) == "10 late, 17 missed and 3 not matched of 10,000 stimuli"
    assert counts_sentence([usual(deadline_ns=None)]) == "10 missed of 5,000 stimuli"
    assert "<strong>5 late and 10 missed of 5,000 stimuli</strong>" in page([view])


def test_other_verdicts() -> None:
    assert verdict_sentence([usual()]) == ("fail", "FAIL: the deadline of 2 ms is not kept.")
    assert verdict_sentence(judged("", "", deadline_ns=None)) == ("open", "No deadline was set.")
    two = [*judged("pass"), *judged("pass", deadline_ns=3_000_000)]
    assert verdict_sentence(two) == ("pass", "Deadlines: kept by both.")


def test_bars_stand_where_their_numbers_are() -> None:
    first = first_screen([run([10_000, 100_000, 1_000_000], deadline_ns=100_000)], None)
    [item] = first.bars
    assert item.left is not None
    assert item.width is not None
    assert item.dot is None, "three answers are too few for a median"
    # Log axis: the deadline of 100 µs lies in the middle between 10 µs and 1 ms.
    assert item.limit == pytest.approx(item.left + item.width / 2, abs=0.01)
    assert first.limits == ((item.limit, "deadline 100 µs"),)
    assert 0 < item.left < item.left + item.width < 100


def test_ticks_stay_apart_on_a_telephone() -> None:
    first = first_screen([run([1_000, 1_000_000_000], deadline_ns=None)], None)
    places = [place for place, _ in first.ticks]
    assert len(places) >= 3
    assert all(after - before >= 17 for before, after in pairwise(places))


def test_a_run_without_an_answer_has_no_bar() -> None:
    first = first_screen([run([NO_STAMP] * 3, deadline_ns=None)], None)
    assert (first.bars[0].left, first.bars[0].dot, first.bars[0].limit) == (None, None, None)
    assert "no answer" in page([run([NO_STAMP] * 3, deadline_ns=None)])


def test_verdict_bars_and_table_come_before_everything_else() -> None:
    text = page([usual(title="One"), usual(title="Two", seed=2)])
    body = text[text.index("<main") :]
    order = [body.index(mark) for mark in ('class="headline', 'class="bars', 'class="boards', "<nav", 'class="plot"')]
    assert order == sorted(order)
    plots = re.findall(r'<h2 id="([\w-]+)-heading"', body)
    assert plots[:5] == ["distribution", "persistence", "over-time", "segments", "tail"]
    # What is only text waits in folds.
    assert body.index("Findings") > body.index("<details", body.index('id="words"'))
