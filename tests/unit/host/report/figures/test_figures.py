import json
from collections.abc import Iterator
from dataclasses import replace
from typing import Any, TypeVar

import numpy as np
import pytest

from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.analysis.lateness.attribution import ANSWERING, INPUT, THROTTLED, UNKNOWN, Owner, Span
from edgereply.analysis.lateness.culprits import find_culprits
from edgereply.evaluation.hold_ups import HeldAnswer, HoldUps
from edgereply.evaluation.run_view import Folded, RunView
from edgereply.report import figures
from edgereply.report.figures.drawing import Boxes, Curve, Drawing, Flag, Heat, Item, Panel, Points, Words
from edgereply.report.figures.page_drawing import page_drawing
from edgereply.report.figures.segments import part_label, stacks
from edgereply.report.figures.theme import LIGHT
from tests.unit.host.report.runs import HOSTILE, run, shuffled, usual

DRAWN = ("boards", "distribution", "tail", "over_time", "persistence", "segments", "quantiles")
Kind = TypeVar("Kind", Curve, Points, Heat, Boxes)


def drawn(name: str, *views: RunView) -> Drawing:
    made = getattr(figures, name)(list(views))
    assert isinstance(made, Drawing)
    return made


def items(drawing: Drawing, kind: type[Kind]) -> list[Kind]:
    return [item for panel in drawing.panels for item in panel.items if isinstance(item, kind)]


def flags(drawing: Drawing) -> list[Flag]:
    return [flag for panel in drawing.panels for flag in panel.flags]


def strings(part: Any) -> Iterator[str]:
    if isinstance(part, str):
        yield part
    elif isinstance(part, dict):
        for inner in part.values():
            yield from strings(inner)
    elif isinstance(part, list):
        for inner in part:
            yield from strings(inner)


@pytest.mark.parametrize("name", DRAWN)
def test_every_colour_can_be_swapped_for_the_dark(name: str) -> None:
    spec = page_drawing(drawn(name, usual(), usual(seed=2)))
    colours = {text for text in strings(spec) if text.startswith(("#", "rgb"))}
    assert colours
    assert colours <= set(LIGHT.values())


@pytest.mark.parametrize("name", DRAWN)
def test_how_it_was_measured_stands_in_the_drawing(name: str) -> None:
    made = drawn(name, usual(), usual(seed=2, virtual=False, evidence="loop-back"))
    assert made.measured_by == "source and board (virtual) / source only"
    assert page_drawing(made)["layout"]["title"]["text"] == f"measured by: {made.measured_by}"


@pytest.mark.parametrize("name", DRAWN)
def test_names_reach_the_drawing_as_text(name: str) -> None:
    spec = page_drawing(drawn(name, usual(title=HOSTILE), usual(evidence=HOSTILE)))
    json.dumps(spec, allow_nan=False)
    for text in strings(spec):
        assert "<script" not in text
        assert "<a " not in text
        assert "<img" not in text


@pytest.mark.parametrize("values", [[], [NO_STAMP], [5], [0, 0], [-4, 3, NO_STAMP], [1, 10**12]])
@pytest.mark.parametrize("name", DRAWN)
def test_odd_runs_can_be_drawn(name: str, values: list[int]) -> None:
    made = getattr(figures, name)([run(values), run(values)])
    if made is not None:
        json.dumps(page_drawing(made), allow_nan=False)


def everything(panel: Panel) -> Iterator[tuple[float, float]]:
    """Every place at which something is drawn."""
    for item in panel.items:
        yield from places(item)
    for flag in panel.flags:
        yield (flag.at, panel.y.low) if flag.axis == "x" else (panel.x.low, flag.at)


def places(item: Item) -> Iterator[tuple[float, float]]:
    if isinstance(item, Curve | Points):
        yield from zip(np.asarray(item.x).tolist(), np.asarray(item.y).tolist(), strict=True)
    elif isinstance(item, Heat):
        rows, columns = np.nonzero(item.counts)
        for row, column in zip(rows.tolist(), columns.tolist(), strict=True):
            yield item.x_edges[column], item.y_edges[row]
            yield item.x_edges[column + 1], item.y_edges[row + 1]
    elif isinstance(item, Boxes):
        for (left, right), (low, high) in zip(item.x, item.y, strict=True):
            yield left, low
            yield right, high


@pytest.mark.parametrize("deadline_ns", [None, 50_000, 2_000_000, 900_000_000])
@pytest.mark.parametrize("name", DRAWN)
def test_everything_is_in_view(name: str, deadline_ns: int | None) -> None:
    """The slowest answer of 2.5 ms, every missed stimulus, and the deadline, be it far below or far above."""
    made = drawn(name, usual(deadline_ns=deadline_ns), usual(seed=2, count=1000, deadline_ns=deadline_ns))
    seen = 0
    for panel in made.panels:
        for x, y in everything(panel):
            seen += 1
            assert -1e-9 <= panel.x.share(x) <= 1 + 1e-9, (x, panel.x)
            assert -1e-9 <= panel.y.share(y) <= 1 + 1e-9, (y, panel.y)
    assert seen >= 6


def test_the_histogram_marks_best_median_p99_worst_and_deadline() -> None:
    view = run([1000 * k for k in range(1, 1001)], deadline_ns=5_000_000)
    told = {flag.text: flag.at for flag in flags(drawn("distribution", view))}
    assert told == {
        "best 1.00 µs": 1.0, "median 500 µs": 500.0, "p99 990 µs": 990.0, "worst 1.00 ms": 1000.0,
        "deadline 5 ms": 5000.0,
    }  # fmt: skip


def test_the_histogram_takes_log_time_by_itself_where_the_span_asks_for_it() -> None:
    assert drawn("distribution", run([100_000, 1_999_000], deadline_ns=None)).panels[0].x.log is False
    assert drawn("distribution", run([100_000, 2_000_000], deadline_ns=None)).panels[0].x.log is True
    # A deadline far away asks for it too.
    assert drawn("distribution", run([100_000, 120_000], deadline_ns=2_400_000)).panels[0].x.log is True


def test_steps_of_the_histogram_do_not_break_up() -> None:
    [outline] = items(drawn("distribution", run([1000] * 3 + [100_000], deadline_ns=None)), Curve)
    x, y = np.asarray(outline.x), np.asarray(outline.y)
    # From foot to foot, each step upright or level, through empty bins on the floor.
    assert (y[0], y[-1], y.min(), y.max()) == (0.5, 0.5, 0.5, 3.0)
    assert ((np.diff(x) == 0) | (np.diff(y) == 0)).all()
    assert (np.diff(x) >= 0).all()
    assert y[-2] == 1.0


def test_counts_of_the_histogram_are_those_of_numpy() -> None:
    view = usual()
    [outline] = items(drawn("distribution", view), Curve)
    x, y = np.asarray(outline.x)[::2] * 1000, np.asarray(outline.y)[1:-1:2]
    counts, _ = np.histogram(view.answers(), bins=np.rint(x))
    np.testing.assert_array_equal(np.where(y < 1, 0, y), counts)
    assert counts.sum() == view.answers().size


def test_of_many_runs_every_one_keeps_its_row_and_its_name() -> None:
    views = [usual(count=300, seed=n, title=f"Board {n}") for n in range(22)]
    for name in ("boards", "distribution"):
        [panel] = drawn(name, *views).panels
        assert [word.split()[-1] for _, word in panel.y.ticks] == [str(n) for n in reversed(range(22))]
        assert panel.rows == 22
    [heat] = items(drawn("distribution", *views), Heat)
    assert heat.counts.sum(axis=1).tolist() == [view.answers().size for view in reversed(views)]


def test_the_bars_run_from_best_to_worst_with_their_numbers() -> None:
    made = drawn("boards", run(shuffled(100), deadline_ns=2_000_000), run([NO_STAMP] * 3))
    bars = items(made, Curve)
    assert [(list(bar.x), list(bar.y)) for bar in bars] == [([0.001, 0.1], [1.5, 1.5])]
    assert made.panels[0].x.title == "reaction time (ms)"
    assert [item.text for item in made.panels[0].items if isinstance(item, Words)] == ["50.0 µs", "1.00 µs", "100 µs"]
    assert [flag.text for flag in flags(made)] == ["deadline 2 ms"]
    assert "Not drawn, no answer of their own: B: 3 of 3 stimuli." in made.notes


def test_what_is_left_out_is_said() -> None:
    assert "Not drawn, no answer of their own: 10 of 5,000 stimuli." in drawn("distribution", usual()).notes
    assert drawn("distribution", run([1000, 2000] * 300)).notes == ()
    assert "No mark at p99: it needs 368 answers." in drawn("distribution", run([1000, 2000])).notes
    assert "Without an answer of their own, drawn as low: 10 of 5,000 stimuli." in drawn("persistence", usual()).notes
    no_fall = usual(pulse_width_ns=np.full(5000, NO_STAMP))
    assert "4,990 responses have no fall and are not drawn." in drawn("persistence", no_fall).notes
    many = run([3_000_000] * 1501 + [NO_STAMP] * 1502)
    assert drawn("over_time", many).notes == (
        "Marked one by one: the slowest 1,500 of 1,501 late answers; the first 1,500 of 1,502 stimuli without an "
        "answer.",
    )  # fmt: skip


def test_late_and_missed_ones_are_marked_one_by_one() -> None:
    marks = {item.name: item for item in items(drawn("over_time", usual()), Points) if item.name}
    late, missed = marks["late"], marks["no answer of its own"]
    assert late.symbol != missed.symbol
    assert sorted(np.asarray(late.x).tolist()) == [0.0, 1.0, 2.0, 3.0, 4.0]
    assert len(missed.x) == 10
    # All late answers took 2.5 ms.
    assert set(np.asarray(late.y).tolist()) == {2500.0}
    assert not [item for item in items(drawn("over_time", run([1000, 2000])), Points) if item.name]


def test_the_deadline_is_drawn_where_it_is() -> None:
    for name in ("distribution", "tail"):
        [limit] = [flag for flag in flags(drawn(name, usual())) if flag.color == "deadline"]
        assert (limit.at, limit.text, limit.dash) == (2000.0, "deadline 2 ms", "dash")
    assert flags(drawn("tail", usual(deadline_ns=None))) == []


def test_a_tail_without_misses_ends_on_its_last_step() -> None:
    curve = items(drawn("tail", run([1000, 2000, 3000, 4000], deadline_ns=None)), Curve)[-1]
    assert np.asarray(curve.x).tolist() == [1.0, 2.0, 2.0, 3.0, 3.0, 4.0, 4.0]
    assert np.asarray(curve.y).tolist() == [0.75, 0.75, 0.5, 0.5, 0.25, 0.25, 0.25]


def test_long_runs_become_cells_and_stay_small() -> None:
    short, long = drawn("over_time", usual(count=1000)), drawn("over_time", usual(count=200_000))
    assert not items(short, Heat)
    assert items(long, Heat)[0].counts.sum() == usual(count=200_000).answers().size
    assert len(json.dumps(page_drawing(long))) < 150_000


def test_persistence_has_the_stimulus_above_every_response_below_and_one_scale_of_time() -> None:
    view = usual()
    made = drawn("persistence", view)
    [stimulus], [heat] = items(made, Curve), items(made, Heat)
    assert min(stimulus.y) > heat.y_edges[-1]
    place = dict(zip(np.asarray(stimulus.y).tolist()[1:3], np.asarray(stimulus.x).tolist()[1:3], strict=True))
    assert set(place.values()) == {0.0}, "the stimulus rises at zero"
    low, edges, high = heat.counts
    # Every response rises and falls somewhere in view; before the stimulus all are low.
    assert edges.sum() == 2 * int(view.answered().sum())
    assert (low[0], high[0]) == (view.stimuli, 0)
    assert (np.diff(heat.x_edges) > 0).all()
    # The late answers of 2.5 ms lie in the compressed part, behind the deadline.
    at = {flag.text: flag.at for flag in flags(made)}
    behind = heat.x_edges[:-1] > at["deadline 2 ms"]
    assert at["compressed from here"] < at["deadline 2 ms"] < 1
    assert edges[behind].sum() == 2 * int((view.reaction_ns > 2_000_000).sum())


def test_a_steady_run_needs_no_compressed_time() -> None:
    made = drawn("persistence", run([100_000 + k for k in range(100)], deadline_ns=None))
    assert flags(made) == []
    assert [word for _, word in made.panels[0].x.ticks][:3] == ["0", "50", "100"]


def test_segments_stack_to_the_mean_reaction_time_of_the_same_answers() -> None:
    view = usual(count=1000)
    found, partly = stacks([view])
    answers = np.sort(view.answers())
    assert partly == []
    # Of 998 answers the middle fifth and the slowest hundredth.
    assert [(stack.group, stack.answers) for stack in found] == [("typical", 199), ("slowest", 10)]
    middle, slow = answers[399:598], answers[988:]
    assert sum(found[0].mean_ns.values()) == pytest.approx(middle.mean())
    assert sum(found[1].mean_ns.values()) == pytest.approx(slow.mean())
    assert list(found[0].mean_ns) == ["outside", "wake_delay"]


def test_one_outlier_does_not_flatten_the_typical_bars() -> None:
    quick = [100_000 + k for k in range(999)]
    made = drawn("segments", run([*quick, 60_000_000_000]))
    [typical, slowest] = made.panels
    assert typical.x.high < 110
    assert sum(right - left for box in typical.items if isinstance(box, Boxes) for left, right in box.x) > 90
    assert (typical.x.title, slowest.x.title) == ("mean time (µs)", "mean time (s)")


def test_parts_that_are_not_known_or_below_zero_are_said() -> None:
    view = run([10_000] * 100)
    shorter = {**view.segments, "outside": np.where(np.arange(100) < 40, NO_STAMP, -500)}
    made = drawn("segments", replace(view, segments=shorter))
    assert made.notes == (
        "Below zero, so not drawn: interrupt entry and wires −500 ns (the clocks' uncertainty).",
        "Answers whose parts are all known: 60 of 100.",
    )
    assert part_label("wake_delay") == "wake-up"
    assert figures.segments([run([1, 2], segments={})]) is None
    assert figures.segments([run([NO_STAMP])]) is None


def test_intervals_become_error_bars() -> None:
    marks = items(drawn("quantiles", run(shuffled(100)), run([5000] * 3)), Points)
    first, second = (mark for mark in marks if not mark.hollow)
    # Median 50 µs within 40 to 74 µs, see test_rows; the second run is too short for any quantile.
    assert (first.y[0], first.low[0], first.high[0]) == (50.0, 40.0, 74.0)
    assert list(second.y) == []


def test_a_rough_percentile_is_an_open_mark_without_a_bar() -> None:
    # Late answers in groups of 300 among 3,000: p99 has no interval that could be trusted.
    reaction = np.full(3000, 50_000) + np.random.default_rng(1).integers(0, 9_000, 3000)
    reaction[1000:1300] += 400_000
    marks = items(drawn("quantiles", run(reaction)), Points)
    rough = [mark for mark in marks if mark.hollow]
    assert rough
    assert all(not mark.low and not mark.name for mark in rough)
    assert any(trace["marker"]["symbol"].endswith("-open") for trace in
               page_drawing(drawn("quantiles", run(reaction)))["data"] if trace["mode"] == "markers")  # fmt: skip


def swept(wait: str, rate: int, seed: int, level_ns: int) -> RunView:
    reaction = level_ns + np.random.default_rng(seed).integers(0, 20_000, 2000)
    return run(reaction, title=f"{wait}-{rate}", axes={"wait": wait, "rate": f"{rate}/s"})


def test_a_sweep_becomes_a_curve_for_each_wait_with_its_band() -> None:
    views = [swept("spin", 500, 1, 90_000), swept("block", 200, 2, 10_000), swept("block", 1000, 3, 50_000)]
    panel = drawn("sweep_curves", *views).panels[0]
    medians = [item for item in panel.items if isinstance(item, Points)]
    assert [(item.name, list(item.x)) for item in medians] == [("wait spin", [500.0]), ("wait block", [200.0, 1000.0])]
    assert [round(y) for y in medians[1].y] == [20, 60]
    [band] = [item for item in panel.items if isinstance(item, Curve) and item.filled and len(item.x) == 4]
    low, high = (views[1].summary["reaction"]["ci95"]["median_ns"][end] / 1000 for end in (0, 1))
    assert (list(band.x), band.y[0], band.y[3]) == ([200.0, 1000.0, 1000.0, 200.0], high, low)
    assert medians[0].symbol != medians[1].symbol


def test_one_rate_is_no_curve() -> None:
    assert figures.sweep_curves([usual(), usual()]) is None
    assert figures.sweep_curves([swept("spin", 500, 1, 90_000), swept("block", 500, 2, 10_000)]) is None


def folded(view: RunView) -> RunView:
    """Stimuli at 0, 1, 2 … ms folded at 10 ms: those at 3 ms are late."""
    at = view.stimulus_ns % 10_000_000
    stimuli = np.bincount(at // 100_000, minlength=100)
    late = np.bincount(at[view.late()] // 100_000, minlength=100)
    found = Folded(
        period_ns=1e7, error_ns=12.0, origin_ns=0, late_above_ns=2_000_000, start_ns=2.9e6, width_ns=3e5,
        stimuli=stimuli, late=late,
    )  # fmt: skip
    return replace(view, folds=(found,))


def held_up(view: RunView, name: str = "label-motor", lanes: int = 8) -> RunView:
    """Answers held up by an interrupt, by little of everything else, and by nobody that is known."""
    owners = [
        INPUT, Owner("interrupt", 24, name), Owner("softirq", 3, "network receiving"), Owner("process", 0, name),
        Owner("idle", 2, ""), Owner("processor", 0, "local timer"), THROTTLED, UNKNOWN, Owner("ours", 0, "session"),
        ANSWERING,
    ]  # fmt: skip
    answers = []
    for lane in range(lanes):
        edge_ns, spans, at = 10**9 + lane, [], 10**9 + lane
        for place, owner in enumerate(owners):
            spans.append(Span(at, at + (2_000_000 if place == 1 else 20_000 + lane), owner))
            at = spans[-1].end_ns
        answers.append(HeldAnswer(
            stimulus=lane, reaction_ns=at - edge_ns, edge_ns=edge_ns, set_ns=at, spans=tuple(spans)
        ))  # fmt: skip
    late = [item.spans for item in answers]
    culprits = find_culprits([*late, (Span(0, 20_000, ANSWERING),)], np.array([True] * lanes + [False]))
    found = HoldUps(
        limit_ns=2_000_000, all_in_time=False, late=lanes + 3, recorded=lanes, culprits=culprits, worst=tuple(answers),
        periods=(), event_ns=300, events=9.0, report={},
    )  # fmt: skip
    return replace(view, hold_ups=found)


def test_hold_ups_have_a_box_for_every_span_and_one_colour_for_each_owner() -> None:
    made = drawn("hold_ups", held_up(run([2_500_000] * 20)))
    boxes = items(made, Boxes)
    assert sum(len(box.x) for box in boxes) == 8 * 10
    named = {box.name: box.color for box in boxes if box.name}
    assert named["interrupt 24 (label-motor)"] == "part1"
    assert named["the answering program itself"] == "envelope"
    assert len(set(named.values())) == len(named) == 5, "what has no colour of its own is one: all others"
    for panel in made.panels:
        for x, y in everything(panel):
            assert -1e-9 <= panel.x.share(x) <= 1 + 1e-9
            assert -1e-9 <= panel.y.share(y) <= 1 + 1e-9
    assert [tick[1] for tick in made.panels[0].y.ticks][-1].startswith("stimulus 1: 2.18 ms")
    assert made.notes == ("Of 11 late answers 8 were recorded.",)


def test_hold_ups_of_hostile_names_are_words() -> None:
    made = drawn("hold_ups", held_up(run([2_500_000] * 20), name=HOSTILE))
    told = "".join(text for box in items(made, Boxes) for text in (box.name, *box.words, *box.hover))
    assert "\x1b" not in told
    assert "\u202e" not in told


def test_the_fold_shows_when_in_the_period_answers_are_late() -> None:
    reaction = np.full(1000, 100_000)
    reaction[3::10] = 3_000_000
    made = figures.fold(folded(run(reaction)))
    assert made is not None
    [bars], [heat] = items(made, Boxes), items(made, Heat)
    assert [(round(left, 2), round(right, 2)) for left, right in bars.x] == [(3.0, 3.1)]
    assert list(bars.y) == [(0.0, 1.0)]
    assert heat.counts.sum() == 1000
    assert np.flatnonzero(heat.counts[-1]).tolist() == [36]
    assert [(round(flag.at, 9), flag.text) for flag in flags(made)] == [(2.9, "late from here"), (3.2, "to here")]
    assert made.measured_by == "source and board (virtual)"
    assert figures.fold(usual()) is None


def test_more_runs_than_colours_still_differ() -> None:
    curves = items(drawn("tail", *(usual(count=50, seed=n) for n in range(30))), Curve)
    assert len({(curve.color, curve.dash) for curve in curves if curve.name}) == 30
    marks = items(drawn("quantiles", *(usual(count=500, seed=n) for n in range(24))), Points)
    assert len({(mark.color, mark.symbol) for mark in marks}) == 24


def test_runs_are_marked_for_hiding() -> None:
    spec = page_drawing(drawn("tail", usual(), usual(seed=2)))
    assert {trace["meta"]["run"] for trace in spec["data"] if "meta" in trace} == {0, 1}
    assert [trace["name"] for trace in spec["data"] if trace["showlegend"]] == ["A Reject gate", "B Reject gate"]
