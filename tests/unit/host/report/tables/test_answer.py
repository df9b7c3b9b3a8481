import pytest

from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.report.tables.answer import answer
from tests.unit.host.report.runs import run


@pytest.mark.parametrize(
    ("values", "changes", "outcome", "headline"),
    [
        ([1, 2], {"judged": "pass", "judgement": ["PASS: kept."]}, "pass", "PASS: kept."),
        ([1, 2], {"judged": "fail", "judgement": ["FAIL: not kept."]}, "fail", "FAIL: not kept."),
        ([1, 2], {"judged": "not enough data", "judgement": ["NOT ENOUGH DATA"]}, "open", "NOT ENOUGH DATA"),
        ([], {}, "open", "Nothing was measured."),
        ([NO_STAMP] * 3, {"deadline_ns": None}, "open", "0 of 3 stimuli answered; no deadline was set."),
        ([7, NO_STAMP], {}, "open", "1 of 2 stimuli answered; the deadline of 2 ms was not judged."),
    ],
)
def test_the_verdict_comes_first(values: list[int], changes: dict[str, object], outcome: str, headline: str) -> None:
    said = answer(run(values, **changes))
    assert (said.outcome, said.headline) == (outcome, headline)


def test_a_run_that_stopped_early_says_so_before_all_else() -> None:
    said = answer(run([1000], status="incomplete: the cable came loose", judged="pass", judgement=["PASS", "more"]))
    assert said.details[0].startswith("The run is incomplete: the cable came loose;")
    assert "more" in said.details


def test_a_quantile_out_of_reach_is_not_left_out_silently() -> None:
    said = " ".join(answer(run([1000] * 3)).details)
    assert "needs 6 answers" in said
    assert "tail spread needs 3,688 answers" in said


def test_speed_and_jitter_are_the_figures_of_the_summary() -> None:
    said = " ".join(answer(run([1000 * i for i in range(1, 101)])).details)
    assert "half of the answers came within 50.0 µs" in said
    assert "the slowest of 100 took 100 µs" in said
    assert "jitter 99.0 µs peak-to-peak" in said
