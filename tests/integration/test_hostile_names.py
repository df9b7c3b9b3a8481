"""Runs from somebody else whose every text means harm: no command lets any of it act on the terminal.

The commands run in this process; half of them are made to believe in a terminal, on which rich writes otherwise.
"""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path
from typing import Any

import pytest
from tests.fakes.hostile_ssh import EVIL
from tests.fakes.in_process import Command, command

__all__ = ["command"]

GOLDEN = Path(__file__).parents[1] / "reference_data/runs/format-1-load"
ACTING = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2060-\u206f]")
# What rich writes itself: colours, and nothing else on a terminal that is not drawn upon.
COLOURS = re.compile(r"\x1b\[[0-9;]*m")
KEPT = {"state", "evidence", "kind", "file", "sha256", "responder", "route", "pattern", "wait", "collection", "link"}


def spoilt(value: Any, key: str = "") -> Any:
    """A document with the hostile text behind every text that nothing computes with."""
    if isinstance(value, dict):
        return {name: spoilt(inner, name) for name, inner in value.items()}
    if isinstance(value, list):
        return [spoilt(inner, key) for inner in value]
    return f"{value} {EVIL}" if isinstance(value, str) and key not in KEPT else value


@pytest.fixture
def runs(tmp_path: Path) -> list[str]:
    """Two such runs."""
    places = []
    for name in ("one", "two"):
        place = tmp_path / name
        shutil.copytree(GOLDEN, place)
        document = spoilt(json.loads((place / "run.json").read_text("utf-8")))
        document["title"] += name
        document["warnings"] += [f"warning {EVIL}"]
        document["in_effect"]["event_clock"] = EVIL
        document["context"]["throttled"]["signs"] = [f"sign {EVIL}"]
        if name == "two":
            document |= {"state": "incomplete", "reason": f"reason {EVIL}"}
        (place / "run.json").write_text(json.dumps(document), "utf-8")
        places.append(str(place))
    return places


COMMANDS = {
    "explain": ["explain", "{one}"],
    "explain, all": ["explain", "{one}", "--details"],
    "explain, cut": ["explain", "{two}", "--details"],
    "explain, JSON": ["explain", "{one}", "--json"],
    "verdict": ["verdict", "{one}", "--deadline", "2ms", "--details"],
    "verdict, JSON": ["verdict", "{one}", "--deadline", "2ms", "--json"],
    "compare": ["compare", "{one}", "{two}", "--details"],
    "compare, JSON": ["compare", "{one}", "{two}", "--json"],
    "report": ["report", "{one}", "{two}", "-o", "{page}.html"],
    "report, JSON": ["report", "{one}", "{two}", "-o", "{page}.html", "--json"],
    "table": ["report", "{one}", "{two}", "--table", "boards"],
    "conditions": ["report", "{one}", "{two}", "--table", "conditions"],
    "export": ["export", "{one}", "--to", "csv", "-o", "{page}.csv"],
    "bundle": ["bundle", "{one}", "-o", "{page}.zip", "--preview"],
    "not a run": ["explain", f"nowhere {EVIL}".replace("\0", "")],
}


@pytest.mark.parametrize("terminal", [False, True], ids=["pipe", "terminal"])
@pytest.mark.parametrize("name", COMMANDS)
def test_no_text_of_a_foreign_run_acts(
    runs: list[str], tmp_path: Path, command: Command, monkeypatch: pytest.MonkeyPatch, name: str, terminal: bool
) -> None:
    if terminal:
        monkeypatch.setenv("FORCE_COLOR", "1")
        monkeypatch.setenv("TERM", "xterm-256color")
    words = [word.format(one=runs[0], two=runs[1], page=tmp_path / "out") for word in COMMANDS[name]]
    code, out, err = command(*words)
    assert code == {"verdict": 1, "verdict, JSON": 1, "not a run": 2}.get(name, 0), err
    assert "Traceback" not in err, err
    for text in (out, err):
        left = COLOURS.sub("", text) if terminal else text
        assert not ACTING.search(left), repr(left[:600])
        assert not re.search(r"^edgereply: all is well", left, re.MULTILINE)
