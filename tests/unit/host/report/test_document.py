import base64
import gzip
import hashlib
import json
import re
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path

import pytest

from edgereply.errors import SettingError
from edgereply.evaluation.run_view import RunView
from edgereply.report.document import SAFETY, embedded, page, write_page
from tests.unit.host.report.runs import HOSTILE, run, usual

MOST_BYTES = 1_600_000


class Reader(HTMLParser):
    """Elements, scripts and tables of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.scripts: list[tuple[str | None, str]] = []
        self.captions: list[str] = []
        self.words = ""
        self._inside = ""
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self.words += " "
        if tag == "script":
            self.scripts.append((dict(attrs).get("type"), ""))
        if tag == "caption":
            self.captions.append("")
        if tag in ("script", "style", "caption"):
            self._inside = tag

    def handle_endtag(self, tag: str) -> None:
        if tag == self._inside:
            self._inside = ""

    def handle_data(self, data: str) -> None:
        if self._inside == "script":
            kind, text = self.scripts[-1]
            self.scripts[-1] = kind, text + data
        elif self._inside == "caption":
            self.captions[-1] += data
        if self._inside not in ("script", "style"):
            self.words += data


def read(*views: RunView) -> Reader:
    return Reader(page(views))


def test_a_hostile_name_stays_text_everywhere() -> None:
    evil = usual(
        title=HOSTILE, evidence=HOSTILE, status=HOSTILE, notes=[HOSTILE], cautions=[HOSTILE], repeat=[HOSTILE],
        wiring=[(HOSTILE, HOSTILE)], condition_requested={HOSTILE: HOSTILE},
        condition_in_effect={HOSTILE: {HOSTILE: 1}}, environment={HOSTILE: HOSTILE}, judgement=[HOSTILE],
        findings=[HOSTILE], bench=HOSTILE, tool=HOSTILE,
    )  # fmt: skip
    harmless, hostile = read(usual(), usual()), read(evil, evil)
    assert {tag for tag, _ in hostile.tags} <= {tag for tag, _ in harmless.tags}
    assert len(hostile.scripts) == len(harmless.scripts) == 3
    assert not [name for _, attributes in hostile.tags for name in attributes if name.startswith("on")]
    assert "{{7*7}}" in hostile.words
    assert "\x1b" not in hostile.words
    json.loads(hostile.scripts[0][1])


def test_nothing_is_fetched_and_scripts_run_by_hash() -> None:
    found = read(usual())
    assert not [tag for tag, a in found.tags if tag in ("link", "img", "iframe") or "src" in a]
    [policy] = [a["content"] for tag, a in found.tags if a.get("http-equiv") == "Content-Security-Policy"]
    assert policy is not None
    assert policy.startswith("default-src 'none'; ")
    # The library lies in the page packed; the page's script unpacks it and runs it by the hash of its text.
    kinds = [kind for kind, _ in found.scripts]
    assert kinds == ["application/json", "text/plain", None]
    running = [gzip.decompress(base64.b64decode(found.scripts[1][1])), found.scripts[2][1].encode()]
    hashes = [base64.b64encode(hashlib.sha256(text).digest()).decode() for text in running]
    assert re.findall(r"'sha256-([^']+)'", policy) == hashes
    scripts = re.findall(r"script-src ([^;]*)", policy)[0]
    assert "unsafe" not in scripts


def test_every_table_says_how_it_was_measured() -> None:
    found = read(usual(), usual(virtual=False, evidence="loop-back"))
    assert len(found.captions) == 12
    for caption in found.captions:
        assert "source and board (virtual)" in caption or "source only" in caption
    assert len([a for tag, a in found.tags if tag == "div" and a.get("role") == "img" and a.get("aria-label")]) == 6


def test_a_caution_of_all_runs_stands_once() -> None:
    words = " ".join(read(usual(), usual(), usual(cautions=["a caution", "another"])).words.split())
    assert words.count("Note: a caution") == 1
    assert words.count("C: Note: another") == 1


def test_all_parts_are_there() -> None:
    words = " ".join(read(usual()).words.split())
    for part in (
        "FAIL: the deadline of 2 ms is not kept.", "One peak: 97", "seed = 20", "edgereply 9.9",
        "realtime.fifo_priority 80 none ≠ differs", "kernel 6.1",
        "edgereply measure --bench bench.toml", "source: stimulus", "Note: a note", "Note: a caution", *SAFETY,
    ):  # fmt: skip
        assert part in words


def test_the_page_needs_a_run() -> None:
    with pytest.raises(ValueError, match="at least one run"):
        page([])


def test_json_cannot_end_its_script_element() -> None:
    data = {"a": "</script><!--", "b": "\u2028 & \u2029", "c": [1, None]}
    text = embedded(data)
    assert not set("<>&\u2028\u2029") & set(text)
    assert json.loads(text) == data
    with pytest.raises(ValueError, match="Out of range"):
        embedded(float("nan"))


def test_a_million_pulses_fit(tmp_path: Path) -> None:
    target = tmp_path / "report.html"
    write_page([usual(count=1_000_000)], target)
    assert target.stat().st_size < MOST_BYTES
    assert b"\r" not in target.read_bytes()
    assert list(tmp_path.iterdir()) == [target]


def test_a_page_that_cannot_be_written_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(SettingError, match="cannot be written"):
        write_page([run([1])], tmp_path / "missing" / "report.html")
    (tmp_path / "taken").mkdir()
    with pytest.raises(SettingError, match="cannot be written"):
        write_page([run([1])], tmp_path / "taken")
    assert [path.name for path in tmp_path.iterdir()] == ["taken"]


def test_the_terminal_does_not_pay_for_the_page() -> None:
    code = (
        "import sys, edgereply.report.terminal, edgereply.evaluation.run_view; "
        "print('matplotlib' in sys.modules, 'jinja2' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert done.stdout.split() == ["False", "False"]


def test_settings_in_nanoseconds_stand_beside_the_time_they_come_to() -> None:
    view = usual(condition_requested={"period_ns": 10_000_000, "hold_ns": 0, "seed": 20_000},
                 condition_in_effect={"period_ns": 1_000_000})  # fmt: skip
    text = page([view])
    assert "<td><bdi>10,000,000 (10 ms)</bdi></td>" in text
    assert "<td><bdi>1,000,000 (1 ms)</bdi></td>" in text
    assert "<td><bdi>20000</bdi></td>" in text
