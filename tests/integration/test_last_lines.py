"""What every command ends with on a real terminal, narrow and wide: at most twelve lines, and the answer is in them."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import select
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from tests.integration.commands import Workplace, bench_text

from edgereply.report.terminal.answer import MOST_LINES

SIZES = [(80, 24), (120, 40)]
PATIENCE_S = 120.0
PLAN = """
repeats = 1
count = 60
[axes]
wait = ["block", "spin"]
rate = ["200/s", "300/s", "400/s", "500/s", "600/s"]
"""
_CONTROL = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")
_ERASED = "\x1b[2K"


@dataclass(frozen=True, slots=True)
class Shown:
    """What a terminal showed: the exit code, everything, and the rows after the last live screen was erased."""

    code: int
    raw: str
    rows: list[str]

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.rows).split())


def on_terminal(place: Workplace, arguments: list[str], width: int, height: int) -> Shown:
    """Run a command with stdout and stderr on a terminal of that size."""
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", height, width, 0, 0))
    env = {k: v for k, v in os.environ.items() if k not in ("COLUMNS", "LINES", "NO_COLOR")}
    process = subprocess.Popen(
        [sys.executable, "-m", "edgereply", *arguments],
        cwd=place.root,
        env=env | {"TERM": "xterm-256color", "PYTHONIOENCODING": "utf-8", "TMPDIR": str(place.temporary)},
        stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True,
    )  # fmt: skip
    os.close(theirs)
    data, end = b"", time.monotonic() + PATIENCE_S
    try:
        while time.monotonic() < end:
            if not select.select([ours], [], [], 0.5)[0]:
                continue
            try:
                more = os.read(ours, 65_536)
            except OSError:  # the last program has closed it
                break
            if not more:
                break
            data += more
        code = process.wait(PATIENCE_S)
    finally:
        if process.poll() is None:
            process.kill()
            process.wait(10)
        os.close(ours)
    raw = data.decode("utf-8", "replace")
    last = _CONTROL.sub("", raw.rpartition(_ERASED)[2])
    rows = [
        line[start : start + width]
        for line in last.replace("\r", "").rstrip("\n").split("\n")
        for start in range(0, max(1, len(line)), width)
    ]
    # What is said on the way, before the answer.
    said = [n for n, row in enumerate(rows) if re.match(r"· (evaluating|\d+ of \d+: evaluating|block |.*opening)", row)]
    if said and rows[said[-1] + 1].startswith("  "):  # its second half
        said[-1] += 1
    return Shown(code, raw, rows[said[-1] + 1 if said else 0 :])


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Workplace]:
    """A run in which stimuli are lost, answers come late and pulses too many, and a good one, measured once."""
    place = Workplace(tmp_path_factory.mktemp("lines"))
    place.write(bench_text(options="drop = 0.05, late = 0.1, late_us = 20000, spurious = 0.02", count=600))
    done = place.run("measure", "--out", "bad", "--json")
    assert done.code == 0, done.err
    place.write(bench_text(count=600))
    done = place.run("measure", "--out", "other", "--json")
    assert done.code == 0, done.err
    place.write(bench_text(options="drop = 0.05, late = 0.1, late_us = 20000, spurious = 0.02", count=300))
    place.write(PLAN, "plan.toml")
    yield place
    place.nothing_left()


FINISHED = {
    "verdict": ["verdict", "bad"],
    "verdict with a share": ["verdict", "bad", "--exceed", "0.5"],
    "explain": ["explain", "bad"],
    "compare": ["compare", "bad", "other", "bad"],
    "many": ["compare", *["bad", "other"] * 6],
}


@pytest.mark.parametrize(("width", "height"), SIZES)
@pytest.mark.parametrize("name", FINISHED)
def test_finished_runs_are_answered_in_few_lines(bench: Workplace, name: str, width: int, height: int) -> None:
    shown = on_terminal(bench, FINISHED[name], width, height)
    assert shown.code in (0, 1), shown.raw
    assert 3 <= len(shown.rows) <= MOST_LINES, "\n".join(shown.rows)
    assert "VIRTUAL" in shown.text
    for word in ("best", "typical", "worst"):
        assert word in shown.text
    assert "NOT in the times" in shown.text or "unmatched" not in shown.text
    assert re.search(r"answered late|not answered|late +missed", shown.text)
    assert "next: " in shown.rows[-1] or name.startswith("verdict")
    assert "--details" in shown.text or name in ("compare", "verdict with a share")


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_a_measurement_ends_with_its_answer(bench: Workplace, width: int, height: int, tmp_path: Path) -> None:
    shown = on_terminal(bench, ["measure", "--out", str(tmp_path / "run")], width, height)
    assert shown.code == 0, shown.raw
    assert len(shown.rows) <= MOST_LINES, "\n".join(shown.rows)
    assert re.match(r"(FAIL|NOT ENOUGH DATA)", shown.rows[0])
    assert "not answered (" in shown.text
    assert "deadline" in shown.text
    assert f"run written to {tmp_path}/run" in "".join(row.strip() for row in shown.rows) or "run written" in shown.text
    assert "next: edgereply explain" in shown.text
    # While it ran: a bar, a distribution over a strip, on the whole width and within the height.
    live = _CONTROL.sub("", shown.raw)
    assert re.search(r"\d+ % of 300", live)
    screens = shown.raw.split(_ERASED)
    assert max(len(_CONTROL.sub("", screen).split("\n")) for screen in screens) <= height


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_the_demo_ends_with_its_answer(bench: Workplace, width: int, height: int, tmp_path: Path) -> None:
    shown = on_terminal(bench, ["demo", "--dwell", "1s", "--out", str(tmp_path / "d")], width, height)
    assert shown.code == 0, shown.raw
    assert "never 5 V into a 3.3 V input" in shown.text
    # The directory of this test is long and is named three times: it takes a row more each at 80 columns.
    assert len(shown.rows) <= MOST_LINES + (3 if width == 80 else 0), "\n".join(shown.rows)
    assert "A: wait block" in shown.text
    assert "VIRTUAL" in shown.text


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_a_sweep_and_a_comparison_take_a_line_a_block_and_end_with_their_answer(
    bench: Workplace, width: int, height: int, tmp_path: Path
) -> None:
    (bench.root / f"s{width}").symlink_to(tmp_path)  # a short name: a long one takes a row of its own
    shown = on_terminal(bench, ["sweep", "plan.toml", "--out", f"s{width}/sweep"], width, height)
    assert shown.code == 0, shown.raw
    assert len(shown.rows) <= MOST_LINES, "\n".join(shown.rows)
    assert re.search(r"NOT kept|not proven", shown.text)
    assert "more conditions" in shown.text, "ten conditions do not fit"
    blocks = re.findall(r"· block (\d+)/10 \S+: typical ", _CONTROL.sub("", shown.raw))
    assert blocks == [str(number) for number in range(1, 11)]
    assert "measuring 60 stimuli" not in shown.raw
    assert re.search(r"block \d+ of 10, [\d min h]+s left in all", _CONTROL.sub("", shown.raw))
    made = ["compare", "--waits", "block,spin", "--rounds", "2", "--count", "60", "--out", f"s{width}/compare"]
    shown = on_terminal(bench, made, width, height)
    assert shown.code == 0, shown.raw
    assert len(shown.rows) <= MOST_LINES, "\n".join(shown.rows)
    assert len(re.findall(r"· block \d/4 ", _CONTROL.sub("", shown.raw))) == 4
    assert re.search(r"block \d of 4, [\d min h]+s left in all", _CONTROL.sub("", shown.raw))


def test_details_say_everything_and_still_end_with_the_answer(bench: Workplace) -> None:
    done = bench.run("compare", "bad", "other", "--details")
    assert done.code == 0, done.err
    lines = done.out.splitlines()
    assert len(lines) > MOST_LINES
    assert any(line.startswith("Brackets: ") for line in lines[: -MOST_LINES // 2])
    assert any(line.startswith("Deadline 2 ms: ") for line in lines[-MOST_LINES:])
    done = bench.run("explain", "other", "--details")
    for word in ("Jitter of the rising edges", "tolerance bound", "Board meanwhile", "Ranges: 95 %"):
        assert word.lower() in done.out.lower(), word
