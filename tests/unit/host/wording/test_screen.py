"""The gate: what passes it cannot act on a terminal, and loses nothing else."""

from __future__ import annotations

import io
import json
import sys
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgereply.report.terminal.console import GatedConsole, stderr_console, stdout_console
from edgereply.wording import screen

# By the Unicode character database of this Python, a source of its own.
ACTING = [
    chr(code)
    for code in range(sys.maxunicode + 1)
    if unicodedata.category(chr(code)) in ("Cc", "Cf", "Cs", "Zl", "Zp") and chr(code) not in "\t\n"
]
# Default_Ignorable_Code_Point of the same database: shows nothing, and two of its ranges are not assigned yet.
SHOWS_NOTHING = {*"\u115f\u1160\u3164\uffa0\u17b4\u17b5\u180e", *map(chr, range(0xFFF0, 0xFFF9))}
SHOWS_NOTHING |= set(map(chr, range(0xE0000, 0xE1000)))


def test_every_acting_character_is_written_out() -> None:
    assert len(ACTING) > 2000
    for character in ACTING:
        assert screen.escaped(character).isascii(), hex(ord(character))
        assert screen.escaped(character).isprintable()


@given(st.text())
def test_all_else_stays(text: str) -> None:
    kept = "".join(c for c in text if c not in ACTING)
    shown = screen.escaped(text)
    assert not set(shown) & set(ACTING)
    if kept == text and not set(text) & SHOWS_NOTHING:
        assert all(c in shown for c in text)


@pytest.mark.parametrize(("text", "shown"), [("a\x1b[2Jb", "a\\x1b[2Jb"), ("\x9b", "\\x9b"), ("\u202ex", "\\u202ex"),
                                              ("\U000e0041", "\\U000e0041"), ("µ 1\tΩ\n", "µ 1\tΩ\n")])  # fmt: skip
def test_how_it_is_written(text: str, shown: str) -> None:
    assert screen.escaped(text) == shown


def test_one_line_is_one_line() -> None:
    assert screen.one_line("a\r\nb\nc\rd\x0be\u2028f\tg") == "a b c\\x0dd e\\u2028f g"


@given(st.recursive(st.text() | st.integers(), lambda inner: st.dictionaries(st.text(), inner) | st.lists(inner)))
def test_a_document_means_the_same(value: object) -> None:
    file, before = io.StringIO(), sys.stdout
    sys.stdout = file
    try:
        screen.put_document(json.dumps(value, ensure_ascii=False))
    finally:
        sys.stdout = before
    assert not set(file.getvalue()) & set(ACTING)
    assert json.loads(file.getvalue()) == value


def test_a_console_shows_text_as_text() -> None:
    file = io.StringIO()
    console = GatedConsole(file=file, force_terminal=True, width=200, color_system="truecolor")
    console.print("\x1b]8;;http://x\x07 [bold]x[/] [link=http://x]y[/link] :smile: \x9b")
    shown = file.getvalue()
    assert "\x1b" not in shown
    # rich drops the bell itself
    assert "\\x1b]8;;http://x [bold]x[/] [link=http://x]y[/link] :smile: \\x9b" in shown


def test_the_consoles_are_on_their_streams() -> None:
    assert (stdout_console().stderr, stderr_console().stderr) == (False, True)
