"""Sentences are folded between words, on a terminal only."""

from __future__ import annotations

import io
import os
import pty
import select
import sys
from collections.abc import Callable

import pytest

from edgereply.wording.folding import explain, fold, tell

LONG = "  - With 95 % confidence the share of late answers is at most 1 in 1,336, and the slowest took 2.51 ms in all"


@pytest.mark.parametrize("width", range(30, 120, 7))
def test_words_and_numbers_with_their_units_stay_whole(width: int) -> None:
    folded = fold(LONG, width)
    assert max(map(len, folded.split("\n"))) <= width
    assert " ".join(folded.split()) == " ".join(LONG.split())
    for together in ("95 %", "2.51 ms", "answers"):
        assert together in folded


def test_what_follows_stands_under_what_was_said_first() -> None:
    assert [row[:4] for row in fold(LONG, 40).split("\n")] == ["  - ", "    ", "    "]
    assert fold("a short line", 30) == "a short line"
    assert fold("x" * 90, 30) == "x" * 90


def test_only_a_terminal_gets_folded_lines(monkeypatch: pytest.MonkeyPatch) -> None:
    piped = io.StringIO()
    monkeypatch.setattr(sys, "stdout", piped)
    monkeypatch.setenv("COLUMNS", "40")
    tell(LONG)
    assert piped.getvalue() == f"{LONG}\n"

    assert shown_on_a_terminal("stdout", lambda: tell(LONG), monkeypatch) == fold(LONG, 40) + "\n"


def shown_on_a_terminal(stream: str, show: Callable[[], None], monkeypatch: pytest.MonkeyPatch) -> str:
    ours, theirs = pty.openpty()
    with os.fdopen(theirs, "w", encoding="utf-8") as terminal:
        monkeypatch.setattr(sys, stream, terminal)
        show()
        terminal.write("\x04")
        terminal.flush()
        shown = ""
        # A terminal hands over what has arrived, be it a part of a line.
        while "\x04" not in shown and select.select([ours], [], [], 10.0)[0]:
            shown += os.read(ours, 4096).decode().replace("\r", "")
    os.close(ours)
    return shown.removesuffix("\x04")


def test_an_error_is_folded_under_its_label_but_a_command_can_be_copied(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    command = "write one with edgereply init, or give the path of the one you have with --bench"

    def show() -> None:
        explain("the bench file cannot be read: no such file or directory", "bench.toml", command)
        explain("no", remedy="give the path of the bench file with --bench, or write one")

    assert shown_on_a_terminal("stderr", show, monkeypatch).split("\n") == [
        "edgereply: the bench file cannot be",
        "read: no such file or directory",
        "  where: bench.toml",
        f"  what to do: {command}",
        "edgereply: no",
        "  what to do: give the path of the bench",
        "  file with --bench, or write one",
        "",
    ]


def test_an_error_cannot_pretend_to_be_two(capsys: pytest.CaptureFixture[str]) -> None:
    explain("bad\nedgereply: all is well", "here\r\n", "")
    assert capsys.readouterr().err == "edgereply: bad edgereply: all is well\n  where: here \n"


def test_an_error_is_not_longer_than_a_screen(capsys: pytest.CaptureFixture[str]) -> None:
    explain("x" * 100_000)
    assert len(capsys.readouterr().err) < 5000
