import csv
import io
import json
from pathlib import Path

import numpy as np
import pytest
from markdown_it import MarkdownIt
from pylatexenc.latex2text import LatexNodes2Text

from edgereply.report.material import Material, load_material
from edgereply.report.tables.latex import escaped
from edgereply.report.tables.table import FORMATS, NAMES, Table, make_table, render
from tests.fakes.made_runs import random_stimuli
from tests.fakes.told_runs import save_run
from tests.unit.host.report.runs import HOSTILE


@pytest.fixture(scope="module")
def material(tmp_path_factory: pytest.TempPathFactory) -> Material:
    root: Path = tmp_path_factory.mktemp("runs")
    rng = np.random.default_rng(1)
    runs = [
        save_run(root / wait, random_stimuli(500, 1), level + rng.integers(0, 9000, 500), wait)
        for wait, level in (("block", 100_000), ("spin", 50_000))
    ]
    return load_material(runs, None, lambda line: None)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("kind", FORMATS)
def test_every_table_says_that_it_is_virtual(material: Material, name: str, kind: str) -> None:
    assert "virtual" in render(make_table(name, material.views, material.comparison), kind)


def test_numbers_for_programs_are_whole_nanoseconds(material: Material) -> None:
    table = make_table("comparison", material.views, material.comparison)
    found = json.loads(render(table, "json"))
    assert found["virtual"] is True
    assert [row["median_ns"] for row in found["rows"]] == [
        view.summary["reaction"]["median_ns"] for view in material.views
    ]
    rows = list(csv.DictReader(io.StringIO(render(table, "csv"))))
    assert [row["groups"] for row in rows] == ["b", "a"]
    assert [row["compared"] for row in rows] == ["", "wait"]
    assert [row["not_like_first"] for row in rows] == ["", ""]
    assert {row["virtual"] for row in rows} == {"yes"}
    assert [int(row["p99_ns"]) for row in rows] == [view.summary["reaction"]["p99_ns"] for view in material.views]


def test_the_summary_holds_every_figure_of_the_run(material: Material) -> None:
    found = json.loads(render(make_table("summary", material.views, material.comparison), "json"))["rows"]
    by_name = {(row["run"], row["sample"], row["figure"]): row for row in found}
    reaction = material.views[1].summary["reaction"]
    row = by_name["B", "reaction", "median_ns"]
    assert (row["value"], [row["ci95_low"], row["ci95_high"]]) == (reaction["median_ns"], reaction["ci95"]["median_ns"])
    assert by_name["A", "counts", "stimuli"]["value"] == 500


def hostile() -> Table:
    row = (HOSTILE, "a | b", "**c** [d](http://e) `f`", "1 µs − 2 % & #3 $x_1^2$ ~ \\cmd{}")
    record = {"name": HOSTILE, "formula": "=1+2", "time": -5, "text": 'quote " and, comma'}
    return Table("Caption | *x* %", ("a", "b", "c", "d"), (row,), (record,), True)


def test_markdown_is_one_table_of_plain_text() -> None:
    # Read by markdown-it, an independent reader of CommonMark with tables.
    tokens = MarkdownIt("commonmark").enable("table").parse(render(hostile(), "md"))
    inline = [token for token in tokens if token.type == "inline"]
    assert [token.type for token in tokens].count("tr_open") == 2
    assert len(inline) == 1 + 4 + 4
    assert {child.type for token in inline for child in token.children or []} <= {"text", "text_special"}
    assert inline[-2].content.replace("\\", "") == "**c** [d](http://e) `f`"
    assert "html_block" not in {token.type for token in tokens}


def test_latex_sets_every_text_as_it_is() -> None:
    # Read back by pylatexenc, an independent reader of LaTeX.
    read = LatexNodes2Text(keep_comments=True, strict_latex_spaces=True)
    for text in (*hostile().rows[0][1:], '≥ ≠ ± · – … × < > | " [x]'):
        # In mathematics it reads a minus as a hyphen, and it has its own circumflex.
        assert read.latex_to_text(escaped(text)).replace("ˆ", "^") == text.replace("−", "-")
    whole = render(hostile(), "tex")
    assert whole.count(" & ") == 6
    assert whole.count(r"\\") == 2
    assert "\\cmd" not in whole


def test_csv_keeps_text_as_text() -> None:
    [row] = csv.DictReader(io.StringIO(render(hostile(), "csv"), newline=""))
    assert row["formula"] == "'=1+2"
    assert row["time"] == "-5"
    assert row["text"] == 'quote " and, comma'
    assert "\x1b" not in row["name"]
