"""Figures as files: exact size, readable, nothing cut off, and no browser anywhere."""

import io
import struct
import subprocess
import sys
import xml.etree.ElementTree as ET
import zlib
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.text import Text

from edgereply.evaluation.run_view import RunView
from edgereply.report.figures import pictures, plots
from edgereply.report.figures.drawing import Drawing
from edgereply.report.figures.picture_pen import STYLE
from edgereply.report.figures.theme import DARK, LIGHT
from tests.unit.host.report.figures.test_figures import folded, held_up, swept
from tests.unit.host.report.figures.test_gaps import view
from tests.unit.host.report.runs import HOSTILE, run, usual

LONG = "A condition with a long name that nobody could fit beside a bar of any width, not even on a wall"


def views(name: str, many: int) -> list[RunView]:
    if name == "rates":
        return [swept("spin", 500, 1, 90_000), swept("block", 200, 2, 10_000), swept("block", 1000, 3, 50_000)]
    if name == "fold":
        reaction = np.full(1000, 100_000)
        reaction[3::10] = 3_000_000
        return [folded(run(reaction, title=LONG))]
    if name == "gaps":
        return [view(0, 1500, 3000, title=LONG if n % 2 else "Gate") for n in range(many)]
    if name == "hold-ups":
        return [held_up(run([2_500_000] * 20, title=LONG))]
    return [usual(count=2000, seed=n, title=LONG if n % 2 else "Gate") for n in range(many)]


def described(name: str, many: int = 1) -> Drawing:
    found = plots.draw(name, views(name, many))
    assert found is not None
    return found


def drawn(name: str, many: int, width: int, height: int) -> Figure:
    with mpl.rc_context(STYLE):
        return pictures.draw(described(name, many), width, height, f"{plots.FIGURES[name].heading}: {LONG}", LIGHT)


def words(figure: Figure) -> Iterator[Text]:
    for text in figure.findobj(Text):
        assert isinstance(text, Text)
        if text.get_visible() and text.get_text().strip():
            yield text


@pytest.mark.parametrize("many", [1, 3])
@pytest.mark.parametrize("name", plots.NAMES)
def test_text_can_be_read_in_a_film(name: str, many: int) -> None:
    figure = drawn(name, many, 1280, 720)
    figure.canvas.draw()
    small = {text.get_text(): text.get_fontsize() for text in words(figure) if float(text.get_fontsize()) < 22}
    assert small == {}


@pytest.mark.parametrize(
    ("many", "size"),
    [(1, (1280, 720)), (2, (900, 500)), (3, (640, 480)), (6, (1280, 720)), (22, (1280, 720)), (2, (3840, 2160))],
)
@pytest.mark.parametrize("name", plots.NAMES)
def test_no_label_is_cut_off(name: str, many: int, size: tuple[int, int], monkeypatch: pytest.MonkeyPatch) -> None:
    boxes: dict[str, tuple[float, float, float, float]] = {}
    write = Text.draw

    def noted(text: Text, renderer: Any) -> None:
        if text.get_visible() and text.get_text().strip():
            boxes[text.get_text()] = text.get_window_extent(renderer).extents
        write(text, renderer)

    monkeypatch.setattr(Text, "draw", noted)
    with mpl.rc_context(STYLE):
        drawn(name, many, *size).canvas.draw()
    assert len(boxes) > 4
    cut = {
        text: (round(x0), round(y0), round(x1), round(y1))
        for text, (x0, y0, x1, y1) in boxes.items()
        if x0 < -1 or y0 < -1 or x1 > size[0] + 1 or y1 > size[1] + 1
    }
    assert cut == {}


@pytest.mark.parametrize("name", ["tail", "quantiles"])
def test_the_key_keeps_every_condition(name: str) -> None:
    found = plots.draw(name, [usual(count=2000, seed=n, title=f"Board {n}") for n in range(22)])
    assert found is not None
    with mpl.rc_context(STYLE):
        told = [text.get_text() for text in words(pictures.draw(found, 1280, 720, "x", LIGHT))]
    assert [line for line in told if "Board" in line] == [f"{chr(65 + n)} Board {n}" for n in range(22)]


@pytest.mark.parametrize("name", ["boards", "distribution", "segments"])
def test_rows_keep_every_condition(name: str) -> None:
    found = plots.draw(name, [usual(count=2000, seed=n, title=f"Board {n}") for n in range(22)])
    assert found is not None
    with mpl.rc_context(STYLE):
        figure = pictures.draw(found, 1280, 720, "x", LIGHT)
        figure.canvas.draw()
    told = {text.get_text() for text in words(figure)}
    assert {f"{chr(65 + n)} Board {n}" for n in range(22)} <= told


def test_a_bitmap_has_exactly_the_pixels_asked_for_and_is_not_blank() -> None:
    for width, height in ((400, 300), (1280, 720), (1001, 333)):
        content = pictures.picture(described("over-time"), "png", width, height, "Over time")
        assert content[:8] == b"\x89PNG\r\n\x1a\n"
        assert struct.unpack(">II", content[16:24]) == (width, height)
    # A blank picture of this size deflates to almost nothing.
    assert len(content) > 20 * len(zlib.compress(bytes(1001 * 333)))


def test_a_vector_picture_has_the_size_asked_for_and_no_script() -> None:
    found = plots.draw("tail", [usual(title=HOSTILE)])
    assert found is not None
    content = pictures.picture(found, "svg", 700, 400, f"Slowest answers: {HOSTILE}")
    root = ET.fromstring(content)
    svg = "{http://www.w3.org/2000/svg}"
    assert (root.tag, root.get("width"), root.get("height")) == (f"{svg}svg", "700", "400")
    assert root.get("viewBox") == "0 0 700 400"
    assert not [node for node in root.iter() if node.tag in (f"{svg}script", f"{svg}a", f"{svg}foreignObject")]
    assert len(list(root.iter(f"{svg}path"))) > 20


def test_a_page_for_print_is_one_page_of_that_size() -> None:
    content = pictures.picture(described("distribution"), "pdf", 700, 400, "Histogram")
    assert content.startswith(b"%PDF-")
    assert content.count(b"/Type /Page\n") == 1 or content.count(b"/Type /Page ") == 1
    assert b"/MediaBox [ 0 0 700 400 ]" in content


@pytest.mark.parametrize("kind", pictures.FORMATS)
def test_the_same_figure_gives_the_same_file(kind: str) -> None:
    first, second = (pictures.picture(described("persistence"), kind, 640, 360, "x") for _ in range(2))
    assert first == second


def test_the_deadline_does_not_strike_out_a_number() -> None:
    """The line of the deadline goes through where the number of a worst answer just below it is written."""
    near = plots.draw(
        "boards", [run(np.linspace(1_000_000, worst, 500).astype(np.int64)) for worst in (1_700_000, 9_000_000)]
    )
    assert near is not None
    with mpl.rc_context(STYLE):
        figure = pictures.draw(near, 1280, 720, "x", LIGHT)
        shown = io.BytesIO()
        figure.savefig(shown, format="rgba", dpi=figure.dpi)
    [number] = [text for text in words(figure) if text.get_text() == "1.70 ms"]
    left, low, right, high = (int(value) for value in number.get_window_extent().extents)
    pixels = np.frombuffer(shown.getvalue(), np.uint8).reshape(720, 1280, 4)[:, :, :3].astype(int)
    red = np.abs(pixels - np.array([int(LIGHT["deadline"][n : n + 2], 16) for n in (1, 3, 5)])).max(axis=2) < 40
    assert red[720 - low :, left:right].any(), "the line does not cross the number: the test shows nothing"
    assert not red[720 - high : 720 - low, left:right].any()


def test_dark_is_drawn_on_a_dark_ground() -> None:
    with mpl.rc_context(STYLE):
        figure = pictures.draw(described("boards"), 640, 360, "x", DARK)
    assert mpl.colors.to_hex(figure.get_facecolor()) == DARK["panel"]
    assert mpl.colors.to_hex(next(words(figure)).get_color()) == DARK["ink"]
    light, dark = (pictures.picture(described("boards"), "png", 640, 360, "x", dark) for dark in (False, True))
    assert light != dark


def test_what_a_figure_leaves_out_stands_in_the_picture() -> None:
    told = " ".join(text.get_text() for text in words(drawn("distribution", 1, 1280, 720)))
    assert "Not drawn, no answer of their own: 4 of 2,000 stimuli." in told
    assert "measured by: source and board (virtual)" in told


def test_a_name_with_signs_of_a_formula_is_text() -> None:
    found = plots.draw("boards", [replace(usual(), title="$x^2$ costs 5 $ a_b")])
    assert found is not None
    with mpl.rc_context(STYLE):
        figure = pictures.draw(found, 1280, 720, "$x^2$ costs 5 $ a_b", LIGHT)
        figure.canvas.draw()
        assert not any(text.get_parse_math() for text in words(figure))


def test_the_page_and_the_tables_do_not_pay_for_the_library_of_pictures() -> None:
    code = (
        "import sys, edgereply.report.document, edgereply.report.tables.table, edgereply.report.figures.plots; "
        "print('matplotlib' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert done.stdout.split() == ["False"]


@pytest.mark.parametrize("name", ["persistence", "over-time"])
def test_of_more_panels_than_fit_the_picture_says_which_it_has(name: str) -> None:
    found = described(name, 8)
    assert len(found.panels) == 6
    assert found.notes[-1] == "A to F of 8 runs; give the others by themselves."
    assert len(described(name, 6).panels) == 6
    assert "give the others" not in " ".join(described(name, 6).notes)
