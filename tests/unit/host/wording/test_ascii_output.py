"""A terminal without our characters gets the nearest it has: no traceback, no lost figure."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest

from edgereply.wording.ascii_output import NEAREST, nearest
from tests.integration.documents import ROOT

RECORDING = str(ROOT / "examples/recordings/reject_gate.csv")


def run(*arguments: str, encoding: str) -> str:
    """What a command writes to stdout for a terminal of that encoding."""
    done = subprocess.run(
        [sys.executable, "-m", "edgereply", *arguments],
        capture_output=True, timeout=120, check=True,
        env={**os.environ, "PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"},
    )  # fmt: skip
    return done.stdout.decode(encoding)


@pytest.mark.parametrize(("encoding", "median"), [("ascii", "median 281 us"), ("latin-1", "median 281 µs")])
def test_a_command_says_the_same_in_other_characters(encoding: str, median: str) -> None:
    text = run("import", RECORDING, "--deadline", "2ms", encoding=encoding)
    assert median in text
    assert ("+- 8.17" if encoding == "ascii" else "± 8.17") in text
    assert "low -0.001 V" in text
    assert "?" not in text


def test_a_json_document_keeps_every_character() -> None:
    arguments = ("import", RECORDING, "--board", "Sperre µ→ß", "--json")
    assert json.loads(run(*arguments, encoding="ascii")) == json.loads(run(*arguments, encoding="utf-8"))


def test_what_stands_in_is_ascii_and_what_is_unknown_is_a_question_mark() -> None:
    assert all(stand_in.isascii() for stand_in in NEAREST.values())
    error = UnicodeEncodeError("ascii", "12 µs ▌漢", 3, 4, "")
    assert nearest(error) == ("u", 4)
    error.start, error.end = 6, 8
    assert nearest(error) == ("#?", 8)
    with pytest.raises(UnicodeDecodeError):
        nearest(UnicodeDecodeError("utf-8", b"\xff", 0, 1, "bad"))
