import csv
import io
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from pylatexenc.latexwalker import LatexWalker

from edgereply.report.material import load_material
from edgereply.report.tables.boards import board_table, verdict
from edgereply.report.tables.table import make_table, render
from tests.fakes.made_runs import random_stimuli
from tests.fakes.told_runs import save_run, save_sweep
from tests.unit.host.report.runs import HOSTILE, run, shuffled, usual


def quiet(line: str) -> None:
    """Says nothing."""


def test_a_row_has_what_a_slide_needs() -> None:
    view = run(shuffled(1000), deadline_ns=900_000, judged="fail", title="Gate")
    table = board_table([view], None)
    assert table.headings == (
        "board or condition", "typical", "best", "worst", "pulse width", "jitter", "missed", "late", "verdict",
    )  # fmt: skip
    [row] = table.rows
    # 1 µs to 1000 µs once each: median 500 µs; standard deviation sqrt((n² − 1) / 12), with n − 1 below, 288.8 µs.
    assert (row.name, row.mark) == ("Gate", 0)
    assert row.cells == (
        "500 µs", "1.00 µs", "1.00 ms", "50.0 µs", "289 µs", "0", "100 (10 %)", "900 µs: not kept",
    )  # fmt: skip
    assert "Power and temperature: not read." in table.notes
    assert table.records[0] | {"jitter_std_ns": None} == {
        "run": "A", "name": "Gate", "measured_by": "source and board (virtual)", "typical_ns": 500_000,
        "best_ns": 1000, "worst_ns": 1_000_000, "pulse_width_ns": 50_000, "jitter_std_ns": None, "stimuli": 1000,
        "missed": 0, "not_matched": 0, "late": 100, "deadline_ns": 900_000, "verdict": "fail", "power_uw": None,
        "temperature_max_mc": None, "not_like_first": "",
    }  # fmt: skip


def test_power_and_temperature_join_where_a_board_has_them() -> None:
    warm = {"readings": 3, "temperature": {"max_mc": 61_250, "mean_mc": 58_000}}
    power = {"power": {"mean_uw": 3_100_000, "accuracy_uw": None, "from": "hwmon"}}
    one = usual()
    views = [replace(one, summary={**one.summary, "context": {**warm, **power}}), usual(seed=2)]
    table = board_table(views, None)
    assert table.headings[-3:] == ("power", "temperature", "verdict")
    assert table.rows[0].cells[-3:-1] == ("3.10 W", "at most 61.2 °C, mean 58.0 °C")
    assert table.rows[1].cells[-3:-1] == ("not read", "not read")
    assert (table.records[0]["power_uw"], table.records[0]["temperature_max_mc"]) == (3_100_000, 61_250)


def test_answers_that_could_not_be_matched_are_not_hidden() -> None:
    view = usual()
    unclear = replace(view, counts={**view.counts, "missed": 4, "ambiguous": 3})
    table = board_table([unclear, view], None)
    assert table.headings[6:9] == ("missed", "not matched", "late")
    assert [row.cells[5:7] for row in table.rows] == [("4 (0.08 %)", "3"), ("10 (0.2 %)", "0")]


@pytest.mark.parametrize(
    ("judged", "deadline_ns", "told"),
    [
        ("pass", 2_000_000, "2 ms: kept"), ("fail", 2_000_000, "2 ms: not kept"),
        ("not enough data", 2_000_000, "2 ms: not enough answers"), ("", 2_000_000, "2 ms: not judged"),
        ("", None, "no deadline"),
    ],
)  # fmt: skip
def test_verdicts(judged: str, deadline_ns: int | None, told: str) -> None:
    assert verdict(usual(judged=judged, deadline_ns=deadline_ns)) == told


def test_what_is_not_like_for_like_has_a_mark_and_a_footnote(tmp_path: Path) -> None:
    stimulus = random_stimuli(200, 1)
    runs = [save_run(tmp_path / name, stimulus, 40_000 + 0 * stimulus, wait, in_effect={"wait": wait}, tool=tool)
            for name, wait, tool in (("a", "block", "edgereply 1"), ("b", "spin", "edgereply 2"),
                                     ("c", "spin", "edgereply 1"), ("d", "block", "edgereply 2"))]  # fmt: skip
    material = load_material(runs, None, quiet)
    table = board_table(material.views, material.comparison)
    # The wait strategy is what was compared; another version of the program is what differs besides.
    assert "Compared: wait." in table.notes
    assert [row.mark for row in table.rows] == [0, 1, 0, 1]
    assert table.footnotes == ("Not like A: tool edgereply 2 (A: edgereply 1).",)
    text = render(make_table("boards", material.views, material.comparison), "md")
    assert text.count("\\[1\\]") == 3
    assert "Not like A: tool edgereply 2 (A: edgereply 1)." in text


def test_what_a_sweep_varied_on_purpose_is_no_footnote(tmp_path: Path) -> None:
    material = load_material([save_sweep(tmp_path / "night")], None, quiet)
    table = board_table(material.views, material.comparison)
    assert [row.mark for row in table.rows] == [0, 0, 0, 0]
    assert "Compared: wait and rate." in table.notes


def rendered(kind: str, *titles: str) -> str:
    material: Any = None
    views = [usual(title=title, seed=n) for n, title in enumerate(titles)]
    return render(make_table("boards", views, material), kind)


def test_every_format_has_every_row() -> None:
    for kind in ("md", "tex", "html", "csv", "json"):
        text = rendered(kind, "Gate one", "Gate two")
        assert "Gate one" in text
        assert "Gate two" in text
    assert len(list(csv.DictReader(io.StringIO(rendered("csv", "a", "b"))))) == 2
    assert [row["name"] for row in json.loads(rendered("json", "a", "b"))["rows"]] == ["a", "b"]
    html = rendered("html", "a", "b")
    assert (html.count("<tr>"), html.count("<table>"), html.count('scope="row"')) == (3, 1, 2)


def test_a_hostile_name_stays_text_in_every_format() -> None:
    html = rendered("html", HOSTILE)
    assert "<script" not in html
    assert "<img" not in html
    walker = LatexWalker(rendered("tex", HOSTILE, "50 % & $x_1$ #2"))
    nodes, _, _ = walker.get_latex_nodes()
    assert nodes
    assert "\n| A: " in rendered("md", "x\n| y |", "z")
