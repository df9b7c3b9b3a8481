"""The text that installs the agent on a board, one function at a time; the whole of it is in `test_deploy`."""

from __future__ import annotations

import hashlib
import io
import os
import stat
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

TEXT = Path(__file__).parents[4] / "host/edgereply/board/remote_boot.py"


@pytest.fixture
def boot() -> dict[str, Any]:
    """Its functions, without the call that starts it."""
    text = TEXT.read_text("utf-8")
    assert text.endswith("\n\nmain()\n")
    found: dict[str, Any] = {}
    exec(compile(text.removesuffix("main()\n"), str(TEXT), "exec"), found)
    return found


def test_a_directory_of_another_user_is_passed_over(
    boot: dict[str, Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert boot["private"](str(tmp_path / "own")) is None
    owner = os.getuid()
    monkeypatch.setattr(os, "getuid", lambda: owner + 1)
    assert boot["private"](str(tmp_path / "own")) == "belongs to another user"


def test_an_open_directory_is_closed_to_others(boot: dict[str, Any], tmp_path: Path) -> None:
    place = tmp_path / "open"
    place.mkdir()
    place.chmod(0o777)
    assert boot["private"](str(place)) is None
    assert stat.S_IMODE(place.stat().st_mode) == 0o700


def test_removing_follows_no_link_and_leaves_others_alone(
    boot: dict[str, Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    places = {name: tmp_path / name for name in ("own", "target", "link")}
    for name in ("own", "target"):
        places[name].mkdir()
        (places[name] / "kept").write_text("x")
    places["link"].symlink_to(places["target"])
    boot["candidates"] = lambda: [str(path) for path in (places["own"], places["link"])]
    boot["remove"]()
    assert not places["own"].exists()
    assert (places["target"] / "kept").exists()
    assert places["link"].is_symlink()
    assert str(places["link"]) not in capsys.readouterr().out
    boot["candidates"] = lambda: [str(places["target"])]
    owner = os.getuid()
    monkeypatch.setattr(os, "getuid", lambda: owner + 1)
    boot["remove"]()
    assert (places["target"] / "kept").exists()


@pytest.mark.parametrize("damaged", [False, True])
def test_what_arrives_is_held_against_the_hash(
    boot: dict[str, Any], monkeypatch: pytest.MonkeyPatch, damaged: bool
) -> None:
    data = b"the agent's file"
    wanted = hashlib.sha256(data).hexdigest()
    sent = data[:-1] + b"!" if damaged else data
    stream = io.BytesIO(b"%d\n" % len(sent) + sent)
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(buffer=stream))
    assert boot["receive"](wanted) == (b"" if damaged else data)


def test_what_is_kept_is_held_against_the_hash(boot: dict[str, Any], tmp_path: Path) -> None:
    path = tmp_path / "agent.pyz"
    path.write_bytes(b"the agent's file")
    wanted = hashlib.sha256(path.read_bytes()).hexdigest()
    assert boot["kept"](str(path), wanted) == path.read_bytes()
    assert boot["kept"](str(path), "0" * 64) == b""
