"""Sentences are folded between words, on a terminal only."""

from __future__ import annotations

import io
import os
import pty
import select
import sys

import pytest

from edgereply.wording.folding import fold, tell

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

    ours, theirs = pty.openpty()
    with os.fdopen(theirs, "w", encoding="utf-8") as terminal:
        monkeypatch.setattr(sys, "stdout", terminal)
        tell(LONG)
        terminal.flush()
        shown, whole = "", fold(LONG, 40) + "\n"
        # A terminal hands over what has arrived, be it a part of a line.
        while len(shown) < len(whole) and select.select([ours], [], [], 10.0)[0]:
            shown += os.read(ours, 4096).decode().replace("\r", "")
    os.close(ours)
    assert shown == whole
