"""What an instrument does not know widens every interval of an imported run, and a verdict allows for it."""

from __future__ import annotations

import html
import math
from pathlib import Path

import numpy as np
import pytest

from edgereply.analysis.arrays.uncertainty import KnownTo
from edgereply.analysis.statistics.summary import summarise, widened
from edgereply.comparison.compare import margin
from edgereply.evaluation.evaluate import Evaluation
from edgereply.evaluation.verdict import judge_run
from edgereply.evaluation.verdict_sentences import sentences
from edgereply.report.document import page
from edgereply.report.material import load_material
from edgereply.report.tables.answer import answer
from edgereply.storage.run_record import SourceRecord
from tests.fakes.entries import entry_of
from tests.fakes.made_runs import from_reactions, random_stimuli
from tests.fakes.told_runs import save_run


def evaluation(reaction_ns: list[int], known_to: KnownTo) -> Evaluation:
    reaction = np.array(reaction_ns, np.int64)
    return from_reactions(random_stimuli(reaction.size, 1), reaction, None).as_imported(known_to)


def test_the_budget_is_that_of_the_gum() -> None:
    """JCGM 100:2008, 4.3.7: two stamps of resolution q differ by q / √6; a tolerance of ± a is a / √3; k = 2."""
    known = KnownTo(62.5, 100.0)
    by_hand = 2.0 * math.sqrt(25.516**2 + (1_000_000 * 100e-6 / math.sqrt(3.0)) ** 2)
    assert known.expanded_ns(1_000_000) == pytest.approx(by_hand, rel=1e-5)


def test_every_interval_is_widened_at_both_ends() -> None:
    values = np.random.default_rng(1).integers(100_000, 200_000, 5000)
    known = KnownTo(1_000.0, 50.0)
    plain, wide = summarise(values).as_dict(), summarise(values, known).as_dict()
    known_ends = {name: ends for name, ends in plain["ci95"].items() if ends is not None}
    assert {"median_ns", "p90_ns", "p99_ns"} <= set(known_ends)
    for name, (low, high) in known_ends.items():
        assert wide["ci95"][name] == [
            math.floor(low - known.expanded_ns(low)),
            math.ceil(high + known.expanded_ns(high)),
        ]
    assert {key: wide[key] for key in plain if key != "ci95"} == {key: plain[key] for key in plain if key != "ci95"}
    assert wide["known_to"]["resolution_ns"] == 1_000.0
    assert "known_to" not in plain
    median = summarise(values).quantiles["median_ns"]
    assert widened(median, None) is median


def test_times_do_not_turn_negative() -> None:
    assert KnownTo(1_000.0, 0.0).widen(10, 20) == (0, 837)


def test_the_widened_interval_covers_the_truth_of_a_slow_clock() -> None:
    """Simulated: stamps cut to 10 µs by a clock 80 ppm off; the true median lies in the widened interval."""
    generator = np.random.default_rng(2)
    known, tested, inside, inside_plain = KnownTo(10_000.0, 100.0), 0, 0, 0
    for _ in range(200):
        stimulus = np.cumsum(generator.uniform(1e6, 2e6, 101))
        rise = stimulus + generator.uniform(500_000.0, 501_000.0, stimulus.size)
        clock = 1.0 + 80e-6
        stamps = [np.floor(at * clock / 10_000.0).astype(np.int64) * 10_000 for at in (stimulus, rise)]
        times = stamps[1] - stamps[0]
        figure = summarise(times).as_dict()
        if figure["ci95"]["median_ns"] is None:
            continue  # by chance the few values hang together
        tested += 1
        low, high = figure["ci95"]["median_ns"]
        wide_low, wide_high = summarise(times, known).as_dict()["ci95"]["median_ns"]
        inside += wide_low <= 500_500 <= wide_high
        inside_plain += low <= 500_500 <= high
    assert tested > 150
    assert inside == tested
    # The plain one has the width of a step or none: whether it covers is luck.
    assert inside_plain < tested


def test_a_verdict_holds_only_where_the_instrument_can_tell() -> None:
    blind = KnownTo(60_000.0, 0.0)
    near = evaluation([500_000] * 2000 + [990_000], blind)
    assert judge_run(near, 1_000_000, 0.95, None, False).outcome == "not enough data"
    assert judge_run(near, 1_000_000, 0.95, None, False).near == 1
    assert "nearer than the recording can tell" in " ".join(sentences(judge_run(near, 1_000_000, 0.95, None, False)))
    clear = judge_run(evaluation([500_000] * 2001, blind), 1_000_000, 0.95, None, False)
    assert (clear.outcome, clear.near) == ("pass", 0)
    sharp = judge_run(evaluation([500_000] * 2000 + [990_000], KnownTo(10.0, 0.0)), 1_000_000, 0.95, None, False)
    assert sharp.outcome == "pass"
    late = judge_run(evaluation([500_000] * 2000 + [1_010_000], blind), 1_000_000, 0.95, None, False)
    assert late.outcome == "not enough data"
    never = judge_run(evaluation([500_000] * 2000 + [9_000_000] * 200, blind), 1_000_000, 0.95, None, False)
    assert never.outcome == "fail"


def test_the_headline_of_a_page_holds_only_where_the_instrument_can_tell(tmp_path: Path) -> None:
    reaction = np.full(2001, 500_000)
    reaction[7] = 990_000
    for name, resolution_ns, outcome, first in (
        ("blind", 60_000.0, "open", "NOT ENOUGH DATA to say whether the deadline of 1 ms is kept."),
        (
            "sharp",
            10.0,
            "pass",
            "PASS: the deadline of 1 ms is kept: none was late and at most 1 in 100 can be, if one disturbance "
            "makes no more than 6 answers late.",
        ),
    ):
        source = SourceRecord(kind="imported", resolution_ns=resolution_ns)
        save_run(
            tmp_path / name, random_stimuli(reaction.size, 1), reaction,
            evidence="imported", source=source, deadline_ns=1_000_000,
        )  # fmt: skip
        (view,) = load_material([tmp_path / name], None, lambda _: None).views
        said = answer(view)
        assert (said.outcome, said.headline) == (outcome, first)
        assert ("nearer to the deadline than the recording can tell" in " ".join(view.cautions)) == (outcome == "open")
        assert html.escape(first) in page([view])


def test_the_tail_margin_allows_for_the_instrument_also_where_answers_are_missing() -> None:
    values = np.random.default_rng(4).integers(400_000, 500_000, 40_000)
    known = KnownTo(10_000.0, 0.0)

    def left_ns(missed: int, known_to: KnownTo | None) -> int:
        known = {"known_to": known_to}
        side = entry_of("x", [values], missed=missed, evidence="imported", deadline_ns=1_000_000, changes=known)
        left = margin(side, summarise(values, known_to)).left_ns
        assert left is not None
        return left

    for missed in (0, 3):
        # k = 2 and no clock: q · 2 / √6 at the upper end, rounded up.
        assert left_ns(missed, None) - left_ns(missed, known) == math.ceil(2 * 10_000 / math.sqrt(6))


def test_the_grade_is_imported() -> None:
    found = evaluation([500_000] * 10, KnownTo(1.0, 1.0))
    assert found.evidence == "imported"
    assert found.summary(virtual=False)["evidence"] == "imported"
