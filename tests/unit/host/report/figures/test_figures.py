import base64
import json
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.evaluation.run_view import Folded, RunView
from edgereply.report import figures
from edgereply.report.figures.theme import LIGHT
from tests.unit.host.report.runs import HOSTILE, run, shuffled, usual

DRAWN = ("distribution", "tail", "over_time", "persistence", "segments", "quantiles")


def spec(name: str, *views: RunView) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads(getattr(figures, name)(list(views)).to_json())
    return loaded


def traces(drawn: dict[str, Any], name: str) -> list[dict[str, Any]]:
    return [trace for trace in drawn["data"] if trace.get("name") == name]


def numbers(values: Any) -> list[float]:
    if isinstance(values, dict):
        return np.frombuffer(base64.b64decode(values["bdata"]), values["dtype"]).tolist()  # type: ignore[no-any-return]
    return list(values)


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
    colours = {text for text in strings(spec(name, usual(), usual(seed=2))) if text.startswith(("#", "rgb"))}
    assert colours
    assert colours <= set(LIGHT.values())


@pytest.mark.parametrize("name", DRAWN)
def test_the_grade_stands_in_the_drawing(name: str) -> None:
    drawn = spec(name, usual(), usual(seed=2, virtual=False, evidence="loop-back"))
    assert drawn["layout"]["title"]["text"] == "evidence: virtual · joined / loop-back"


@pytest.mark.parametrize("name", DRAWN)
def test_names_reach_the_drawing_as_text(name: str) -> None:
    for text in strings(spec(name, usual(title=HOSTILE), usual(evidence=HOSTILE))):
        assert "<script" not in text
        assert "<a " not in text
        assert "<img" not in text


def test_runs_differ_by_dash_and_are_marked_for_hiding() -> None:
    drawn = spec("distribution", usual(), usual(seed=2))
    lines = [trace for trace in drawn["data"] if "run" in trace.get("meta", {})]
    assert [(line["meta"]["run"], line["line"]["dash"]) for line in lines] == [(0, "solid"), (1, "dash")]


def test_late_and_missed_ones_are_marked_one_by_one() -> None:
    view = usual()
    drawn = spec("over_time", view)
    [late], [missed] = traces(drawn, "late"), traces(drawn, "no answer of its own")
    assert late["marker"]["symbol"] != missed["marker"]["symbol"]
    assert sorted(numbers(late["x"])) == [0.0, 1.0, 2.0, 3.0, 4.0]
    assert len(numbers(missed["x"])) == 10
    # All late answers took 2.5 ms.
    assert set(numbers(late["y"])) == {2500.0}
    assert traces(spec("over_time", run([1000, 2000])), "late") == []


def test_the_deadline_is_drawn_where_it_is() -> None:
    for name in ("distribution", "tail"):
        [line] = traces(spec(name, usual()), "deadline")
        assert numbers(line["x"]) == [2000.0, 2000.0]
        assert line["text"] == ["", "deadline 2 ms"]
        assert line["line"]["dash"] == "dash"
    assert traces(spec("tail", usual(deadline_ns=None)), "deadline") == []


def test_a_tail_without_misses_ends_on_its_last_step() -> None:
    drawn = spec("tail", run([1000, 2000, 3000, 4000], deadline_ns=None))
    curve = drawn["data"][-1]
    assert numbers(curve["x"]) == [1.0, 2.0, 3.0, 4.0]
    assert numbers(curve["y"]) == [0.75, 0.5, 0.25, 0.25]


def test_bins_without_answers_stay_on_the_floor() -> None:
    drawn = spec("distribution", run([1000] * 3 + [100_000], deadline_ns=None))
    heights = numbers(drawn["data"][0]["y"])
    assert (heights[0], heights[-2], min(heights)) == (3.0, 1.0, 0.5)
    assert [row[1] for row in drawn["data"][0]["customdata"]][:2] == [3, 0]


def test_long_runs_become_cells_and_stay_small() -> None:
    short, long = spec("over_time", usual(count=1000)), spec("over_time", usual(count=200_000))
    assert "heatmap" not in {trace["type"] for trace in short["data"]}
    assert "heatmap" in {trace["type"] for trace in long["data"]}
    assert len(json.dumps(long)) < 400_000


def test_intervals_become_error_bars() -> None:
    drawn = spec("quantiles", run(shuffled(100)), run([5000] * 3))
    bars = drawn["data"][0]
    # Median 50 µs within 40 to 61 µs, see test_rows; the second run is too short for any quantile.
    assert (bars["y"][0], bars["error_y"]["array"][0], bars["error_y"]["arrayminus"][0]) == (50.0, 11.0, 10.0)
    assert drawn["data"][1].get("y", []) == []


def swept(wait: str, rate: int, seed: int, level_ns: int) -> RunView:
    reaction = level_ns + np.random.default_rng(seed).integers(0, 20_000, 2000)
    return run(reaction, title=f"{wait}-{rate}", axes={"wait": wait, "rate": f"{rate}/s"})


def test_a_sweep_becomes_a_curve_for_each_wait_with_its_band() -> None:
    views = [swept("spin", 500, 1, 90_000), swept("block", 200, 2, 10_000), swept("block", 1000, 3, 50_000)]
    drawn = spec("sweep_curves", *views)
    medians = [t for t in drawn["data"] if t.get("xaxis", "x") == "x" and "markers" in t["mode"]]
    assert [(t["name"], t["x"]) for t in medians] == [("wait spin", [500.0]), ("wait block", [200.0, 1000.0])]
    assert [round(y) for y in medians[1]["y"]] == [20, 60]
    [band] = [t for t in drawn["data"] if t.get("fill") and t.get("xaxis", "x") == "x" and len(t["x"]) == 4]
    low, high = (views[1].summary["reaction"]["ci95"]["median_ns"][end] / 1000 for end in (0, 1))
    assert (band["x"], band["y"][0], band["y"][3]) == ([200.0, 1000.0, 1000.0, 200.0], high, low)
    assert medians[0]["marker"]["symbol"] != medians[1]["marker"]["symbol"]


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


def test_the_fold_shows_when_in_the_period_answers_are_late() -> None:
    reaction = np.full(1000, 100_000)
    reaction[3::10] = 3_000_000
    view = folded(run(reaction))
    figure = figures.fold(view)
    assert figure is not None
    drawn = json.loads(figure.to_json())
    [bars] = [trace for trace in drawn["data"] if trace["type"] == "bar"]
    at = dict(zip(numbers(bars["x"]), numbers(bars["y"]), strict=True))
    assert {round(x, 2): y for x, y in at.items() if y} == {3.05: 1.0}
    [heat] = [trace for trace in drawn["data"] if trace["type"] == "heatmap"]
    counts = (
        np.array(heat["customdata"])
        if isinstance(heat["customdata"], list)
        else np.array(numbers(heat["customdata"])).reshape(-1, 120)
    )
    assert counts.sum() == 1000
    assert np.flatnonzero(counts[-1]).tolist() == [36]
    assert [t["text"][1] for t in traces(drawn, "window")] == ["", "late between the dotted lines"]
    assert drawn["layout"]["title"]["text"] == "evidence: virtual · joined"
    assert figures.fold(usual()) is None


def test_more_runs_than_colours_still_differ() -> None:
    drawn = spec("distribution", *(usual(count=50, seed=n) for n in range(30)))
    lines = {(t["line"]["color"], t["line"]["dash"]) for t in drawn["data"] if "run" in t.get("meta", {})}
    assert len(lines) == 30


def test_more_runs_than_colours_still_differ_by_their_markers() -> None:
    drawn = spec("quantiles", *(usual(count=500, seed=n) for n in range(24)))
    assert len({(t["marker"]["color"], str(t["marker"]["symbol"])) for t in drawn["data"]}) == 24


def test_rows_of_segments_stand_segment_by_segment_and_say_whose_they_are() -> None:
    drawn = spec("segments", *(usual(count=500, seed=n) for n in range(3)))
    rows = drawn["layout"]["yaxis"]["categoryarray"]
    assert rows == [f"{name} {who}" for name in ("Wake delay", "Outside") for who in "ABC"]
    marks = [trace for trace in drawn["data"] if "runs" in trace.get("meta", {})]
    assert len(marks) == 5
    for trace in marks:
        assert [label[-1] for label in trace["y"]] == ["ABC"[run] for run in trace["meta"]["runs"]]


def test_no_segments_no_figure() -> None:
    assert figures.segments([run([1, 2], segments={})]) is None
    assert figures.segments([run([NO_STAMP])]) is None


@pytest.mark.parametrize("values", [[], [NO_STAMP], [5], [0, 0], [-4, 3, NO_STAMP], [1, 10**12]])
@pytest.mark.parametrize("name", DRAWN)
def test_odd_runs_can_be_drawn(name: str, values: list[int]) -> None:
    figure = getattr(figures, name)([run(values), run(values)])
    if figure is not None:
        assert "NaN" not in figure.to_json()
