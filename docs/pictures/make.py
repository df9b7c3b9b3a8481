"""Makes the pictures of README and gallery: `python docs/pictures/make.py`; takes Chromium and a driver.

Screens and gallery show the runs made from seeds that the pages of docs/ show too, so that they look alike on every
computer, however busy. `--screens` leaves the gallery as it is.

Beside them it writes `words.json`: what the pictured screens say, numbers left out, since these are another computer's.
A test makes the screens again and holds their words against it, so that a picture of yesterday's screen is noticed.
"""

from __future__ import annotations

import io
import json
import os
import pty
import re
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from html.parser import HTMLParser
from pathlib import Path

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
COLUMNS, ROWS = 100, 40
SHOWN = (
    ("verdict", "edgereply-demo/runs/block", "--exceed", "0.01"),
    ("compare", "edgereply-demo/runs/block", "edgereply-demo/runs/spin"),
)


BLOCK, SPIN = "edgereply-demo/runs/block", "edgereply-demo/runs/spin"
# Figure → the runs it is drawn from, and what it is good for.
GALLERY = {
    "boards": (
        (BLOCK, SPIN),
        "Best, typical and worst of each board or condition, and the deadline: for a talk.",
    ),
    "distribution": ((BLOCK, SPIN), "How often each reaction time came; steps count answers, a deadline is a line."),
    "persistence": (
        (BLOCK,),
        "All responses over each other, as a scope on persistence shows them; stimulus above.",
    ),
    "over-time": ((BLOCK,), "When in the run the slow ones came: drift, warm-up and bursts are seen here first."),
    "segments": ((BLOCK, SPIN), "Where the time goes: wake-up, driving the pin, interrupt entry and wires."),
    "tail": ((BLOCK, SPIN), "The slowest answers, one in ten, in a hundred, in a thousand, against the deadline."),
    "quantiles": ((BLOCK, SPIN), "Percentiles side by side with their intervals; an open mark is rough."),
}


HEAD = """# Gallery of figures

Written by `docs/pictures/make.py` from runs made from seeds: invented data, **virtual**. Each figure is on the page of
`edgereply report`, and a picture by itself:
"""
FOOT = """
Endings: `.svg`, `.png`, `.pdf`; `--size 1920x1080`, `--dark`. Two more need other data: `rates` (a sweep over several
rates) and `fold` (late answers that keep a period).

A figure is evidence for a design; what a machine may rely on is decided by standards, local codes and a qualified
engineer.
"""


def gallery() -> str:
    """The page of the gallery."""
    text = [HEAD]
    for name, (runs, words) in GALLERY.items():
        command = f"edgereply report {' '.join(runs)} --figure {name} -o {name}.svg"
        text.append(f"\n## {name}\n\n{words}\n\n```sh\n{command}\n```\n\n![{words}](pictures/{name}.png)\n")
    return "".join([*text, FOOT])


class _FirstScreen(HTMLParser):
    """Headings of the table and the names in the picture of the page's first section."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []
        self._depth, self._take = 0, False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "section":
            self._depth = self._depth + 1 if self._depth or dict(attrs).get("class") == "first" else 0
        self._take = bool(self._depth) and tag in ("th", "h2", "dt")

    def handle_endtag(self, tag: str) -> None:
        if tag == "section" and self._depth:
            self._depth -= 1

    def handle_data(self, data: str) -> None:
        if self._take and data.strip():
            self.words.append(" ".join(data.split()))


def page_words(page: Path) -> list[str]:
    """What the first screen of a page is made of: its headings."""
    reader = _FirstScreen()
    reader.feed(page.read_text(encoding="utf-8"))
    return reader.words


def screen(arguments: Sequence[str], place: Path) -> str:
    """What a command leaves on a terminal of its own, with the terminal's colours."""
    ours, theirs = pty.openpty()
    environment = {**os.environ, "COLUMNS": str(COLUMNS), "LINES": str(ROWS), "TERM": "xterm-256color"}
    with subprocess.Popen(
        [sys.executable, "-m", "edgereply", *arguments], cwd=place, stdin=theirs, stdout=theirs, stderr=theirs,
        env=environment,
    ) as running:  # fmt: skip
        os.close(theirs)
        said = b""
        while True:
            try:
                piece = os.read(ours, 65536)
            except OSError:
                break
            if not piece:
                break
            said += piece
        running.wait(60)
    os.close(ours)
    return said.decode("utf-8", "replace").replace("\r\n", "\n")


def terminal_words(text: str) -> list[str]:
    """The names over the figures: what the screen is made of, numbers and colours left out."""
    plain = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", text)
    heads = [line for line in plain.splitlines() if re.search(r"\bbest\b", line)]
    return [word for line in heads for word in re.split(r"\s{2,}", line.strip()) if word.isascii()]


def _make(place: Path) -> None:
    from rich.console import Console
    from rich.terminal_theme import MONOKAI
    from rich.text import Text

    sys.path[:0] = [str(ROOT), str(HERE.parent)]
    from tests.browser.chromium import browser
    from write_examples import make_runs

    make_runs(place)
    page = place / "page.html"
    command = [sys.executable, "-m", "edgereply", "report", BLOCK, SPIN, "-o", page.name]
    subprocess.run(command, cwd=place, check=True, timeout=300)
    said = [(arguments, screen(arguments, place)) for arguments in SHOWN]
    console = Console(record=True, width=COLUMNS, file=io.StringIO())
    for arguments, text in said:
        console.print(Text(f"$ edgereply {' '.join(arguments)}", style="bold green"))
        console.print(Text.from_ansi(text.rstrip()))
        console.print()
    shell = place / "terminal.html"
    shell.write_text(
        console.export_html(inline_styles=True, theme=MONOKAI, code_format=(
            "<!doctype html><meta charset=utf-8>"
            "<body style='margin:0;overflow:hidden;background:#11151c;color:#e6e9ef'>"
            "<pre style='font:17px/1.35 monospace;margin:24px'>{code}</pre></body>"
        )),
        encoding="utf-8",
    )  # fmt: skip
    with browser(place / "profile") as window:
        window.open(page, 1440, height=900)
        window.driver.save_screenshot(str(HERE / "page.png"))
        size = {"width": 1080, "height": 660, "deviceScaleFactor": 1, "mobile": False}
        window.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
        window.driver.get(shell.as_uri())
        window.driver.save_screenshot(str(HERE / "terminal.png"))
    words = {"page": page_words(page), "terminal": [word for _, text in said for word in terminal_words(text)]}
    (HERE / "words.json").write_text(json.dumps(words, indent=1) + "\n", encoding="utf-8")


def _make_gallery(place: Path) -> None:
    for name, (runs, _) in GALLERY.items():
        drawn = [sys.executable, "-m", "edgereply", "report", *runs, "--figure", name, "-o", str(HERE / f"{name}.png")]
        subprocess.run(drawn, cwd=place, check=True, timeout=300)
    (HERE.parent / "gallery.md").write_text(gallery(), encoding="utf-8")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        _make(Path(folder))
        if "--screens" not in sys.argv[1:]:
            _make_gallery(Path(folder))
