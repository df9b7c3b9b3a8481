"""A bench file from somebody else, through the real command line: its programs run only when somebody says so."""

from __future__ import annotations

import os
import pty
import select
import subprocess
import sys
from pathlib import Path

import pytest
from tests.integration.commands import MARK, Workplace, bench_text, explained


def hostile(place: Workplace) -> Path:
    """A bench file that has a program run, and where that would leave its trace."""
    trace = place.root / "touched"
    program = place.root / "gift"
    program.write_text(f'#!/bin/sh\ntouch {trace}\nexec {sys.executable} "$@"\n')
    program.chmod(0o755)
    place.write(bench_text(count=20, board=f'python = "{program}"'))
    place.trusts = False
    return trace


def test_without_a_terminal_it_is_refused_until_trusted(place: Workplace) -> None:
    trace = hostile(place)
    words = ("measure", "--json", "--out")
    explained(place.run(*words, "one"), 2, "gift", "--trust")
    assert not trace.exists()
    assert place.run(*words, "two", "--trust").code == 0
    assert trace.exists()
    done = place.run(*words, "three")
    assert done.code == 0, done.err
    assert "--trust" not in str(done.document.get("repeat"))


@pytest.mark.parametrize(("typed", "code", "runs"), [(b"n\n", 2, False), (b"\n", 2, False), (b"y\n", 0, True)])
def test_on_a_terminal_it_asks(place: Workplace, typed: bytes, code: int, runs: bool) -> None:
    trace = hostile(place)
    control, terminal = pty.openpty()
    env = {**os.environ, "XDG_STATE_HOME": str(place.root / ".state"), "TMPDIR": str(place.temporary), MARK: place.mark}
    process = subprocess.Popen(
        [sys.executable, "-m", "edgereply", "inspect"], cwd=place.root, env=env, stdin=terminal,
        stdout=subprocess.DEVNULL, stderr=terminal, start_new_session=True,
    )  # fmt: skip
    os.close(terminal)
    said = b""
    while b"[y/N]" not in said:
        assert select.select([control], [], [], 90.0)[0], said
        said += os.read(control, 4096)
    assert b"gift" in said
    assert not trace.exists()
    os.write(control, typed)
    assert process.wait(90.0) == code
    os.close(control)
    assert trace.exists() is runs


def test_deploying_asks_as_well(place: Workplace) -> None:
    trace = place.root / "touched"
    (place.root / "gift").write_text(f"Host *\n  ProxyCommand touch {trace}\n")
    place.write(
        '[board.gate]\nhost = "board"\nssh_config = "gift"\nresponder = "external"\n[source]\nkind = "virtual"\n'
    )
    place.trusts = False
    explained(place.run("deploy"), 2, "gift", "--trust")
    assert not trace.exists()
