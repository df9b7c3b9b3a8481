"""Far ends that mean harm, behind a pretended ssh: each costs one clear sentence, in bounded time and memory.

Nothing they say acts on the terminal. The memory a flood takes is measured in a program of its own.
"""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from tests.fakes.hostile_ssh import EVIL
from tests.fakes.in_process import Command, command
from tests.integration.commands import Workplace, await_that

from edgereply.board import ssh
from edgereply.board.bundle import build_bundle
from edgereply.board.ssh import start_over_ssh
from edgereply.errors import LinkError

__all__ = ["command"]

ROOT = Path(__file__).parents[2]
FAKE = ROOT / "tests/fakes/hostile_ssh.py"
# The fake takes the protocol from here, whatever is installed.
PROTOCOL = ROOT / "protocol"
ACTING = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2060-\u206f]")

Behave = Callable[[str], None]


@pytest.fixture
def behave(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Behave:
    """Have `ssh` be a far end of one kind."""
    tools = tmp_path / "bin"
    tools.mkdir()
    monkeypatch.setenv("PATH", f"{tools}:/usr/bin:/bin")
    monkeypatch.setenv("PYTHONPATH", str(PROTOCOL))

    def set_up(mode: str) -> None:
        (tools / "mode").write_text(mode)
        program = tools / "ssh"
        program.write_text(f'#!/bin/sh\nexec {sys.executable} {FAKE} "$(cat {tools / "mode"})"\n')
        program.chmod(0o755)

    return set_up


def harmless(*texts: str) -> None:
    for text in texts:
        assert not ACTING.search(text), repr(ACTING.findall(text))
        assert not re.search(r"^edgereply: all is well", text, re.MULTILINE), "a line of its own was forged"


@pytest.mark.parametrize(
    ("mode", "words", "code"),
    [
        ("texts", ["inspect", "board"], 0),
        ("texts", ["inspect", "board", "--json"], 0),
        ("texts", ["deploy", "board"], 0),
        ("texts", ["deploy", "board", "--json"], 0),
        ("removed", ["deploy", "board", "--remove"], 0),
        ("removed", ["deploy", "board", "--remove", "--json"], 0),
        ("fault", ["inspect", "board"], 3),
        ("no-room", ["inspect", "board"], 3),
        ("stderr", ["inspect", "board"], 3),
        ("garbled", ["deploy", "board"], 3),
    ],
)
def test_nothing_a_board_says_acts_on_the_terminal(
    behave: Behave, command: Command, mode: str, words: list[str], code: int
) -> None:
    behave(mode)
    found, out, err = command(*words)
    assert (found, "Traceback" in err) == (code, False), err
    harmless(out, err)
    if mode != "garbled":
        assert "x1b" in out + err or "u001b" in out, "what was said is shown, escaped"
    if "--json" in words:
        assert any(EVIL in str(leaf) for leaf in _leaves(json.loads(out))), "JSON keeps what was said"


def _leaves(value: Any) -> list[Any]:
    if isinstance(value, dict):
        return [leaf for key, inner in value.items() for leaf in (key, *_leaves(inner))]
    return [leaf for inner in value for leaf in _leaves(inner)] if isinstance(value, list) else [value]


@pytest.mark.parametrize(
    ("mode", "says"),
    [
        ('boot:{"path": ["/tmp"]}', "garbled"),
        ('boot:{"version": "3.9"}', "garbled"),
        ('boot:{"version": [3, 9]}', "garbled"),
        ('boot:{"version": [3, 9, 1e308]}', "garbled"),
        ('boot:{"passed_over": null}', "garbled"),
        ('boot:{"copied": "yes"}', "garbled"),
        ('boot:{"python": {}}', "garbled"),
        ('boot:{"more": 1}', "garbled"),
        ("preamble", "bytes and no answer"),
        ("no-line", "bytes and no answer"),
        ("asking", "asked for the agent's file 8 times"),
    ],
)
def test_a_start_that_is_none_is_one_clear_sentence(behave: Behave, command: Command, mode: str, says: str) -> None:
    behave(mode)
    code, out, err = command("deploy", "board")
    assert (code, out) == (3, "")
    assert says in err
    assert [line.split(":")[0].strip() for line in err.splitlines()] == ["edgereply", "where", "what to do"]


def test_a_far_end_that_does_not_take_the_file_is_given_up(behave: Behave, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ssh, "CONNECT_S", 0.5)
    behave("unread")
    bundle = build_bundle()
    assert len(bundle.data) > 1 << 16, "less would fit into the pipe"
    with pytest.raises(LinkError, match="has not taken"):
        start_over_ssh("board", bundle)


@pytest.mark.parametrize("mode", ["unread", "silent"])
def test_ctrl_c_ends_a_command_and_takes_the_child_along(
    behave: Behave, place: Workplace, tmp_path: Path, mode: str
) -> None:
    behave(mode)
    running = place.start("deploy", "board")
    running.until(lambda: any(FAKE.name in line for line in place.processes().values()), "no ssh")
    # Past its own imports the fake waits in vain, and so does the command.
    running.until(lambda: _waits(place), "the far end does not wait")
    running.signal(signal.SIGINT)
    done = running.end()
    assert (done.code, done.err.strip()) == (130, "interrupted")
    await_that(lambda: not place.processes(), lambda: f"left behind: {place.processes()}")


def _waits(place: Workplace) -> bool:
    for pid, line in place.processes().items():
        if FAKE.name in line and "nanosleep" in Path(f"/proc/{pid}/wchan").read_text():
            return True
        if FAKE.name in line and (Path(f"/proc/{pid}/stat").read_text().split()[2] == "S"):
            return bool(Path(f"/proc/{pid}/maps").read_text().count("_json"))
    return False


FLOODED = """
import resource, sys, time
from edgereply.board.bundle import build_bundle
from edgereply.board.client import BoardClient
from edgereply.board.ssh import start_over_ssh
from edgereply.errors import HostError
bundle = build_bundle()
def written(pid):
    with open(f"/proc/{pid}/io") as file:
        return next(int(line.split()[1]) for line in file if line.startswith("wchar"))
def peak(): return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
before, link = peak(), None
try:
    link = start_over_ssh("board", bundle)
    client = BoardClient(link)
    client.greet()
    client.configure("respond", {})
    client.start()
    # Nobody reads until the far end can send no more, or has sent far more than may be held.
    sent, last = 0, -1
    while last < sent < 256 << 20:
        time.sleep(1.0)
        last, sent = sent, written(link._link.pid)
    for _ in range(20):
        assert client.poll(60.0), "nothing came"
        time.sleep(0.05)
    print("still good", peak() - before)
except HostError as error:
    print(f"{error.message} (exit code {error.exit_code})", peak() - before)
finally:
    if link is not None:
        link.close(0.0)
"""
MOST_KB = 48 << 10


@pytest.mark.parametrize(
    ("mode", "says"),
    [("progress", "still good"), ("preamble", "bytes and no answer"), ("no-line", "bytes and no answer")],
)
def test_a_flood_takes_no_memory(behave: Behave, mode: str, says: str) -> None:
    """A second of a far end that sends as fast as it can, and a host that reads slowly."""
    behave(mode)
    paths = os.pathsep.join(str(ROOT / tree) for tree in ("host", "protocol", "agent"))
    done = subprocess.run(
        [sys.executable, "-c", FLOODED],
        capture_output=True,
        text=True,
        timeout=120,
        env={**os.environ, "PYTHONPATH": paths},
    )
    assert done.returncode == 0, done.stderr
    words, _, grown_kb = done.stdout.strip().rpartition(" ")
    assert says in words
    assert int(grown_kb) < MOST_KB, f"{int(grown_kb) >> 10} MiB more"
