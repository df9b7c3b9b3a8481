import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from edgereply.comparison.baseline import check_runs, parse_rule, sentences
from edgereply.comparison.compare import Comparison, Margin, compare_entries
from edgereply.comparison.conditions import (
    compared_words,
    difference_words,
    differing,
    joined_words,
    mixing_words,
    respects,
)
from edgereply.comparison.entries import Entry
from edgereply.comparison.pairs import Pair, compare_sides, quantiles_at, rounds_needed, sides_of
from edgereply.errors import DataError, SettingError
from edgereply.report.tables.lines import comparison_lines, margin_cell, unlike_first
from edgereply.report.tables.rows import Cell
from edgereply.storage.run_record import RunRecord, SourceRecord
from edgereply.wording.numbers import duration
from tests.fakes.entries import entry_of
from tests.fakes.records import run_record


def entry(
    name: str, level_ns: int = 100_000, *, count: int = 2_000, seed: int = 1, rounds: int = 1, lost: int = 0,
    evidence: str = "loop-back", virtual: bool = False, deadline_ns: int | None = 2_000_000, **facts: str,
) -> Entry:  # fmt: skip
    rng = np.random.default_rng(seed)
    blocks = [(level_ns + rng.gamma(2, 4_000, count)).astype(np.int64) for _ in range(rounds)]
    return entry_of(name, blocks, lost=lost, evidence=evidence, virtual=virtual, deadline_ns=deadline_ns, facts=facts)


def medians(found: Comparison) -> dict[tuple[str, str], Pair]:
    """Pairs of the median, by the letters of both sides."""
    return {("+".join(p.first), "+".join(p.second)): p for p in found.pairs if p.figure == "median_ns"}


def test_who_differs_gets_other_letters_the_quickest_first() -> None:
    runs = [entry("slow", 150_000, seed=1, wait="a"), entry("a", seed=2, wait="b"), entry("b", seed=3, wait="c")]
    found = compare_entries(runs, False)
    assert [place.groups for place in found.places] == ["b", "a", "a"]
    assert {names: pair.outcome for names, pair in medians(found).items()} == {
        ("A", "B"): "different", ("A", "C"): "different", ("B", "C"): "same",
    }  # fmt: skip
    assert found.found.confidence == pytest.approx(1 - 0.05 / 3)


def test_the_margin_is_the_deadline_minus_the_upper_end_of_the_last_thousandth() -> None:
    runs = [entry("a", count=40_000), entry("few", count=300), entry("c", deadline_ns=None)]
    found = compare_entries(runs, False)
    ends = found.places[0].summary.ci95("p99_9_ns")
    assert ends is not None
    assert found.places[0].margin == Margin(2_000_000 - ends[1])
    assert found.as_dict()["runs"][0]["margin_ns"] == 2_000_000 - ends[1]
    assert [place.margin.left_ns for place in found.places[1:]] == [None, None]
    assert found.as_dict()["runs"][1]["margin_why_not"] == "needs 3,688 answers"
    # One in a thousand unanswered: the slowest thousandth are those, whatever the answers look like.
    (lost,) = compare_entries([entry("lost", count=40_000, lost=200)], False).places
    assert lost.margin == Margin(None, "too many stimuli without an answer")
    # One in eighty thousand is beyond the upper end of p99.9's interval.
    (one,) = compare_entries([entry("one", count=80_000, lost=1)], False).places
    assert one.margin.left_ns is not None
    (late,) = compare_entries([entry("late", 3_000_000, count=40_000)], False).places
    assert late.margin.left_ns is not None
    assert late.margin.left_ns < -1_000_000
    cells = [margin_cell(place.margin).value for place in found.places]
    assert cells == [duration(2_000_000 - ends[1]), "needs 3,688 answers", "no deadline"]


def test_a_rough_quantile_keeps_its_number_and_leaves_no_margin() -> None:
    values = np.full(8_000, 100_000)
    values[4_000:4_020] = 400_000
    told = replace(entry("a", count=8_000), blocks=(values,))
    found = compare_entries([told], False)
    (place,) = found.places
    assert place.margin == Margin(None, "rough: too few slow answers, or in groups")
    assert (place.summary.value_ns("p99_9_ns"), place.summary.ci95("p99_9_ns")) == (400_000, None)
    assert found.as_dict()["runs"][0]["reaction"]["rough"] == ["p99_9_ns", "tail_spread_ns"]
    [cells] = comparison_lines(found)[1]
    assert Cell("400 µs (rough)") in cells
    assert margin_cell(place.margin) == Cell("rough")


def test_mixed_grades_are_said_in_words_and_share_no_letters() -> None:
    runs = [
        entry("a", seed=1), entry("b", seed=2), entry("c", seed=3, evidence="inside"),
        entry("d", seed=4, evidence="inside"), entry("e", seed=5, virtual=True),
    ]  # fmt: skip
    found = compare_entries(runs, False)
    text = " ".join(found.words)
    assert "mix grades of evidence: loop-back (A, B, E) · inside (C, D)" in text
    assert "do not measure the same thing" in text
    assert "Virtual runs say nothing about hardware" in text
    assert [place.groups for place in found.places] == ["a", "a", "b", "b", ""]
    assert set(medians(found)) == {("A", "B"), ("C", "D")}


def test_joined_and_loop_back_are_different_grades_of_the_same_time() -> None:
    found = compare_entries([entry("a", seed=1), entry("b", seed=2, evidence="joined")], False)
    assert any("can be compared" in line for line in found.words)
    assert set(medians(found)) == {("A", "B")}


def test_two_sittings_of_one_setup_are_the_same_where_they_differ_by_less_than_matters() -> None:
    # 24.7 and 25.0 µs: surely not equal, and nobody's concern.
    runs = [entry("first", 24_700, count=20_000, seed=1), entry("again", 25_000, count=20_000, seed=2)]
    found = compare_entries(runs, False)
    [pair] = medians(found).values()
    assert (pair.kind, pair.outcome) == ("sittings", "same")
    assert pair.ratio is not None
    assert pair.ratio.low is not None
    assert pair.ratio.low > 1.0
    assert [place.groups for place in found.places] == ["a", "a"]
    assert found.sentences[0].startswith("B against A, median: 1")
    assert found.sentences[0].endswith(": same within 5 %")
    told = found.as_dict()
    assert told["between_sittings"]["in_intervals"] is False
    assert "Two sittings of one board lie half a per cent or two apart" in told["between_sittings"]["words"][0]
    strict = compare_entries(runs, False, matters=0.0)
    assert medians(strict)["A", "B"].outcome == "different"
    assert [place.groups for place in strict.places] == ["a", "b"]
    assert compared_words(found.differences).startswith("Compared: sittings of one setup.")


def test_what_lies_between_sittings_is_in_the_ranges_of_setups_measured_more_than_once() -> None:
    levels = {"A": (100_000, 104_000, 96_000), "B": (112_000, 117_000, 108_000)}
    runs = [
        entry(f"{name}{n}", level, count=5_000, seed=n, wait=name)
        for name, some in levels.items() for n, level in enumerate(some)
    ]  # fmt: skip
    found = compare_entries(runs, False)
    [pair] = medians(found).values()
    assert (pair.first, pair.second, pair.kind) == (("A", "B", "C"), ("D", "E", "F"), "setups")
    assert pair.sittings_in
    assert pair.outcome == "cannot tell"
    assert "more sittings of each would narrow it" in found.sentences[0]
    # Standard deviation by hand: both setups' logarithms around their own means, 2 + 2 degrees of freedom.
    logs = [np.log([float(np.median(run.reaction_ns)) for run in some]) for some in (runs[:3], runs[3:])]
    std = np.sqrt(sum(((log - log.mean()) ** 2).sum() for log in logs) / 4)
    told = found.as_dict()["between_sittings"]
    assert told["estimated"]["median_ns"]["std"] == pytest.approx(std, rel=1e-3)
    assert told["estimated"]["median_ns"]["freedom"] == 4
    assert told["in_intervals"] is True
    assert told["words"] == []
    assert pair.ratio is not None
    assert pair.ratio.low is not None
    reach = stats.t.isf(0.025, 4) * std * np.sqrt(2 / 3)
    assert np.log(pair.ratio.value / pair.ratio.low) == pytest.approx(reach, rel=1e-3)
    # One sitting of each: their own ranges are far narrower, and the claim is about these two.
    alone = medians(compare_entries([runs[0], runs[3]], False))["A", "B"]
    assert (alone.outcome, alone.sittings_in) == ("different", False)


def test_a_series_is_compared_round_by_round() -> None:
    runs = [entry("a", rounds=8, count=50, seed=1), entry("b", 101_000, rounds=8, count=50, seed=2)]
    found = compare_entries([runs[0], entry("c", 150_000, rounds=8, count=50, seed=3)], True)
    assert [place.groups for place in found.places] == ["a", "b"]
    assert medians(found)["A", "B"].kind == "rounds"
    assert any("the ratio of the rounds" in line for line in found.method)
    assert found.as_dict()["between_sittings"]["words"] == []
    few = compare_entries([entry(n, rounds=3, count=50, seed=s) for s, n in enumerate("abc")], True)
    assert [place.groups for place in few.places] == ["", "", ""]
    assert {pair.why_not for pair in medians(few).values()} == {"needs 7 rounds"}
    assert few.sentences[0].endswith("; cannot tell (needs 7 rounds)")


def test_what_moves_a_whole_round_falls_out() -> None:
    moves = np.random.default_rng(5).normal(0, 20_000, 8)
    sides = [
        entry_of(name, [
            (level + move + np.random.default_rng([n, level]).gamma(2, 400, 100)).astype(np.int64)
            for n, move in enumerate(moves)
        ])
        for name, level in (("a", 200_000), ("b", 203_000))
    ]  # fmt: skip
    [in_turns] = medians(compare_entries(sides, True)).values()
    assert in_turns.outcome == "same"
    [apart] = medians(compare_entries(sides, False)).values()
    assert apart.outcome == "cannot tell"


def test_a_round_without_answers_is_no_quicker_one() -> None:
    steady, broken = entry("steady", 150_000, rounds=8, count=50), entry("broken", rounds=8, count=50, seed=2)
    half = (*broken.blocks[:4], *[np.empty(0, np.int64)] * 4)
    found = compare_entries([steady, replace(broken, blocks=half)], True)
    assert [place.groups for place in found.places] == ["", ""]
    [pair] = medians(found).values()
    assert pair.why_not == "a round needs 6 answers, broken has 0 in one"


def test_rounds_needed_is_where_an_interval_can_be_given() -> None:
    # Two-sided sign-flip test: the least p-value of r rounds is 2 / 2**r.
    assert rounds_needed(1, 0.95) == 6
    assert rounds_needed(3, 0.95) == 7
    assert rounds_needed(45, 0.95) == 11


def test_json_has_every_run_and_pair() -> None:
    told = compare_entries([entry("a"), entry("b", 130_000, route="gpiod")], False).as_dict()
    assert [run["groups"] for run in told["runs"]] == ["a", "b"]
    assert told["differences"] == {"route": {"chardev": ["A"], "gpiod": ["B"]}}
    assert (told["compared"], told["also_different"], told["matters"]) == (["route"], [], 0.05)
    first = told["pairs"][0]
    assert (first["first"], first["second"], first["outcome"]) == (["A"], ["B"], "different")
    assert first["ratio_interval"][0] < first["ratio"] < first["ratio_interval"][1]
    assert json.loads(json.dumps(told)) == told


def test_a_rough_median_is_not_compared_and_keeps_its_number() -> None:
    slow = 100_000 + 1_000 * np.repeat(np.arange(30), 30)
    found = compare_entries([entry("steady"), entry_of("slower and slower", [slow], facts={"wait": "spin"})], False)
    [pair] = medians(found).values()
    assert (pair.outcome, pair.why_not) == ("cannot tell", "rough: too few slow answers, or in groups")
    assert pair.difference_ns is not None
    assert found.sentences[0].endswith("; cannot tell (rough: too few slow answers, or in groups)")
    assert [place.groups for place in found.places] == ["", ""]


def test_a_rough_quantile_is_not_compared_even_where_it_has_an_interval() -> None:
    sides = [entry("a"), entry("b", 130_000, wait="spin")]
    found = [dict(quantiles_at(side, 0.95)) for side in sides]
    unsure = found[1]["median_ns"]
    assert unsure is not None
    assert unsure.ends_ns is not None
    found[1]["median_ns"] = replace(unsure, rough=True)
    pair, _ = compare_sides(sides, "AB", sides_of(sides, False), found, 0.05, 0.95).pairs
    assert (pair.outcome, pair.why_not) == ("cannot tell", "rough: too few slow answers, or in groups")


def test_unanswered_stimuli_are_told_beside_times_that_hide_them() -> None:
    found = compare_entries([entry("a"), entry("b", lost=200)], False)
    assert "without an answer of their own: A 0 % and B 10 %." in " ".join(found.words)
    assert "without an answer" not in " ".join(compare_entries([entry("a"), entry("b")], False).words)


def test_a_large_difference_is_told_as_a_factor() -> None:
    found = compare_entries([entry("slow", 3_000_000, seed=2), entry("quick", 100_000, wait="spin")], False)
    assert found.sentences[0].startswith(
        "A against B, median: 28 times as long [28 to 28], 2.90 ms: different, by more"
    )


def test_many_pairs_are_counted() -> None:
    found = compare_entries([entry(f"r{n}", seed=n, wait=str(n)) for n in range(6)], False)
    assert len(medians(found)) == 15
    assert found.sentences[0].startswith("median: of 15 pairs 15 are the same within 5 %, 0 are different")


def test_one_run_and_an_unanswered_one() -> None:
    assert compare_entries([entry("a")], False).method == []
    nothing = entry("none", count=0)
    found = compare_entries([entry("a"), nothing], False)
    assert found.places[1].summary.max_ns is None
    assert found.pairs == ()


def test_what_was_varied_on_purpose_is_not_another_difference() -> None:
    def words(**differences: Any) -> str:
        return compared_words(dict.fromkeys(name.replace("_", " ") for name in differences.values()))

    assert words(a="route") == "Compared: route. Also different: nothing."
    assert words(a="route", b="kernel", c="python") == "Compared: route. Also different: kernel and python."
    assert words(a="responder", b="language", c="floor program") == "Compared: responder. Also different: nothing."
    assert words(a="kernel") == "Compared: kernel. Also different: nothing."
    assert words(a="kernel", b="tool") == "Compared: nothing that was set. Also different: kernel and tool."
    found = compare_entries([entry("a"), entry("b", route="gpiod", kernel="6.1")], False)
    assert unlike_first(found) == [[], ["kernel"]]


def record(**changes: Any) -> RunRecord:
    fields: dict[str, Any] = {
        "evidence": "joined",
        "source": SourceRecord(kind="virtual", model="m", plan={"pattern": "periodic", "period_ns": 2_000_000}),
        "requested": {"board": {"route": "chardev", "wait": "block", "realtime": {"fifo_priority": 50}}},
        "in_effect": {"route": "chardev", "wait": "spin"},
        "environment_before": {
            "kernel": "6.1-rt", "preemption": {"model": "PREEMPT_RT"}, "python": "3.11", "load": ["3.0"],
            "cpu_count": 2,
        },
    }  # fmt: skip
    return run_record(**fields | changes)


def test_respects_are_what_took_effect() -> None:
    found = respects(record(), "joined", 2_000_000)
    assert found["wait"] == "spin"
    assert found["rate"] == "500/s"
    assert found["preemption"] == "PREEMPT_RT"
    assert found["activity"].startswith("busy")
    assert (found["load"], found["floor program"]) == ("none", "none")
    assert found["real time"] == "fifo_priority 50"
    assert found["language"].startswith("managed")
    assert found["deadline"] == "2 ms"
    other = respects(
        record(requested={"board": {"responder": "external"}, "stimulus": {}}, environment_before={}), "loop-back", None
    )
    assert (other["language"], other["system"], other["wait"]) == ("not stated", "not stated", "its own")
    assert {"responder", "evidence", "system", "kernel", "deadline"} <= set(differing([("A", found), ("B", other)]))
    assert differing([("A", found), ("B", dict(found))]) == {}


def test_load_activity_and_floor_are_respects() -> None:
    made = {"load": {"cpu": 2, "duty_percent": 50}, "floor": {"version": "cc 12.2", "options": ["-O2"]}}
    board = {"responder": "floor", "route": "chardev", "wait": "block"}
    idle = {"others_share": 0.03, "busy": False}
    found = respects(record(in_effect=made, requested={"board": board}, activity=idle), "joined", None)
    assert found["load"] == "cpu=2, duty=50%"
    assert found["activity"] == "idle (others used below 10%)"
    assert (found["responder"], found["language"], found["floor program"]) == ("floor", "native (C)", "cc 12.2 -O2")
    busy = respects(record(activity={"others_share": 0.3, "busy": True}), "joined", None)
    assert busy["activity"] == "busy (others used 10% or more)"


def test_words_count_many_and_join_series() -> None:
    assert difference_words({"x": ["A"], "y": list("BCDEFGH")}) == "x (A) · y (7 runs)"
    assert joined_words([{"wait": "block"}, {"wait": "spin"}, {"wait": "block"}]) == {"wait": "block / spin"}
    assert mixing_words({"loop-back": ["A", "B"]}, {"loop-back": ["A", "B"]}) == []


@pytest.mark.parametrize(
    ("text", "p", "ratio", "margin_ns"),
    [
        ("p99.9 +10%", 0.999, 0.1, 0),
        ("median+5 %", 0.5, 0.05, 0),
        ("p99 + 50us", 0.99, 0.0, 50_000),
        ("p5+0%", 0.05, 0, 0),
    ],
)
def test_a_rule_is_read(text: str, p: float, ratio: float, margin_ns: int) -> None:
    rule = parse_rule(text)
    assert rule.p == pytest.approx(p)
    assert rule.margin_ratio == pytest.approx(ratio)
    assert rule.margin_ns == margin_ns


@pytest.mark.parametrize(
    "text", ["", "p99", "p0+1%", "p99.9 -10%", "max +10%", "p99 +10", "p99 +1.2.3us", "p99 +3 parsecs"]
)
def test_what_is_no_rule_is_refused(text: str) -> None:
    with pytest.raises(SettingError, match="is not a rule"):
        parse_rule(text)


@given(st.text(max_size=20))
def test_any_text_is_a_rule_or_refused(text: str) -> None:
    said = ""
    try:
        rule = parse_rule(text)
    except SettingError as error:
        said = error.where
    else:
        assert 0 < rule.p < 1
    assert said in ("", "--fail-if")


def test_a_check_says_ok_worse_and_not_enough_data() -> None:
    base = entry("base", seed=1)
    runs = [entry("same", seed=2), entry("slow", 160_000, seed=3), entry("short", seed=4, count=100)]
    checks = check_runs(base, runs, [parse_rule("p99 +10%")])
    assert [check.failed for check in checks] == [False, True, True]
    assert [check.found.outcome for check in checks] == ["not shown to be worse", "worse", "not enough data"]
    lines = sentences(checks, 0.95)
    assert lines[0].startswith("OK")
    assert lines[1].startswith("WORSE")
    assert lines[2].startswith("NOT ENOUGH DATA")
    assert f"{checks[2].found.needed:,} independent answers, the run has 100" in lines[2]
    assert "at most 5.0% of cases" in lines[3]


def test_the_error_rate_is_shared_out_among_the_checks() -> None:
    base, run = entry("base", seed=1), entry("same", seed=2, count=500)
    alone = check_runs(base, [run], [parse_rule("p99 +10%")])
    many = check_runs(base, [run] * 4, [parse_rule("p99 +10%")] * 5)
    assert many[0].found.needed > alone[0].found.needed
    assert len(many) == 20


def test_lost_answers_fail_the_check() -> None:
    checks = check_runs(entry("base"), [entry("lossy", seed=2, lost=80)], [parse_rule("p99 +10%")])
    assert checks[0].failed
    assert "p99 never" in sentences(checks, 0.95)[0]
    told = checks[0].as_dict()
    assert (told["new_ns"], told["high_ratio"]) == (None, None)


def with_untold(told: Entry, untold: int) -> Entry:
    return replace(told, counts=told.counts | {"ambiguous": untold, "stimuli": told.counts["stimuli"] + untold})


def test_a_check_is_not_green_where_untold_answers_could_make_it_worse() -> None:
    base, run, rule = entry("base"), entry("run", seed=2), [parse_rule("p90 +50%")]
    few, many = (check_runs(base, [with_untold(run, untold)], rule)[0] for untold in (20, 400))
    assert (few.failed, few.left_out) == (False, 0)
    # A sixth of 2,400, were they slow, would put p90 among answers that never came.
    assert (many.failed, many.found.outcome, many.left_out) == (True, "not enough data", 400)
    assert "400 answers of run cannot be told; were they all slow, it would be worse" in sentences([many], 0.95)[0]
    assert many.as_dict()["left_out"] == 400
    slow = check_runs(base, [with_untold(entry("run", 400_000, seed=2), 400)], rule)[0]
    assert (slow.found.outcome, slow.left_out) == ("worse", 0)


def test_nothing_is_called_the_same_where_untold_answers_could_differ() -> None:
    one, other = (entry(name, 10_000, count=8_000, seed=seed, wait=name) for seed, name in enumerate("ab"))
    assert medians(compare_entries([one, other], False))["A", "B"].outcome == "same"
    assert medians(compare_entries([one, with_untold(other, 10)], False))["A", "B"].outcome == "same"
    found = medians(compare_entries([one, with_untold(other, 4_000)], False))["A", "B"]
    assert found.outcome == "cannot tell"
    assert found.ratio is not None
    # A third of 12,000: the median lies between a quarter and three quarters of the told ones.
    quick, slow = np.quantile(other.reaction_ns, [0.25, 0.75]) / np.median(one.reaction_ns)
    assert found.ratio.low is not None
    assert found.ratio.high is not None
    assert 0.98 * quick < found.ratio.low < quick
    assert slow < found.ratio.high < 1.02 * slow
    lost = medians(compare_entries([one, with_untold(other, 9_000)], False))["A", "B"]
    assert (lost.outcome, lost.why_not) == ("cannot tell", "answers that cannot be told could turn it")


def test_unlike_times_and_empty_runs_are_refused() -> None:
    base, rule = entry("base"), [parse_rule("p99 +10%")]
    with pytest.raises(SettingError, match="not the same thing"):
        check_runs(base, [entry("v", virtual=True)], rule)
    with pytest.raises(SettingError, match="not the same thing"):
        check_runs(base, [entry("i", evidence="inside")], rule)
    with pytest.raises(DataError, match="no stimulus"):
        check_runs(base, [entry("none", count=0)], rule)
    with pytest.raises(SettingError, match=r"0\.5 to 1"):
        check_runs(base, [base], rule, confidence=1.0)
