"""Figures as files, drawn by a real browser."""

import struct
import sys
import xml.etree.ElementTree as ET
import zlib
from pathlib import Path

import pytest

from edgereply.errors import SettingError
from edgereply.report.figures import plots
from edgereply.report.figures.pictures import picture
from tests.tools import need
from tests.unit.host.report.runs import HOSTILE, usual

pytestmark = pytest.mark.browser
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module", autouse=True)
def chromium() -> Path:
    return need("chromium", "chromium")


def test_a_vector_picture_has_its_curve_and_says_virtual() -> None:
    content = picture(plots.draw("tail", [usual()]), "svg", 700, 400, f"The slow end: {HOSTILE}"[:40])
    root = ET.fromstring(content)
    assert (root.tag, root.get("width"), root.get("height")) == (f"{SVG}svg", "700", "400")
    words = " ".join("".join(text.itertext()) for text in root.iter(f"{SVG}text"))
    assert "evidence: virtual · joined" in words
    assert "deadline 2 ms" in words
    assert len([path for path in root.iter(f"{SVG}path") if path.get("class") == "js-line"]) == 4
    assert not list(root.iter(f"{SVG}script"))


def test_a_bitmap_has_twice_the_pixels_and_is_not_blank() -> None:
    content = picture(plots.draw("over-time", [usual()]), "png", 400, 300, "Reaction time over the run")
    assert content[:8] == b"\x89PNG\r\n\x1a\n"
    assert struct.unpack(">II", content[16:24]) == (800, 600)
    # A blank picture of this size deflates to almost nothing.
    assert len(content) > 20 * len(zlib.compress(bytes(800 * 600)))


def test_a_page_for_print_is_one_page() -> None:
    content = picture(plots.draw("distribution", [usual()]), "pdf", 700, 400, "Reaction time, how often")
    assert content.startswith(b"%PDF-")
    assert content.count(b"/Type /Page\n") == 1


def test_without_the_package_the_command_to_type_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "kaleido", None)
    with pytest.raises(SettingError, match="kaleido") as caught:
        picture(plots.draw("tail", [usual()]), "svg", 700, 400, "x")
    assert "pip install -e '.[pictures]'" in str(caught.value)


def test_without_a_browser_the_command_to_type_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    import kaleido

    class ChromeNotFoundError(Exception):
        """Named as the one that is raised."""

    def fail(*_: object, **__: object) -> bytes:
        raise ChromeNotFoundError

    monkeypatch.setattr(kaleido, "calc_fig_sync", fail)
    with pytest.raises(SettingError, match="need a browser") as caught:
        picture(plots.draw("tail", [usual()]), "svg", 700, 400, "x")
    assert "apt-get install chromium" in str(caught.value)
