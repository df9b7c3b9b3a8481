"""The session's bytes, its forks and its back pressure."""

from __future__ import annotations

import os
import signal
import subprocess
import sys

import pytest

from edgereply_agent.errors import LinkLost
from edgereply_agent.processes import SIGNALS, fork
from edgereply_agent.session import BUFFERED, Session
from edgereply_agent.tasks.base import Task
from edgereply_agent.wire import Wire
from edgereply_protocol import Block

PRINTS = """
import os, sys
from edgereply_agent.wire import Wire
wire = Wire.claim_stdio()
print("a stray print")
os.system("echo a stray child")
assert sys.stdin.read() == ""
wire.put(b"frames only")
"""


def test_prints_go_to_stderr() -> None:
    done = subprocess.run([sys.executable, "-c", PRINTS], capture_output=True, input=b"x", timeout=30, check=True)
    assert done.stdout == b"frames only"
    assert done.stderr.split(b"\n")[:2] in ([b"a stray child", b"a stray print"], [b"a stray print", b"a stray child"])


def test_writes_what_fits_and_keeps_the_rest() -> None:
    read_fd, write_fd = os.pipe()
    wire = Wire(read_fd, write_fd)
    data = bytes(range(256)) * 1024
    wire.put(data)
    assert 0 < wire.pending < len(data)
    got = b""
    while wire.pending or len(got) < len(data):
        got += os.read(read_fd, 8192)
        wire.write()
    assert got == data
    os.close(read_fd)
    with pytest.raises(LinkLost):
        wire.put(b"x")
    wire.finish(0.1)
    os.close(write_fd)


def test_nothing_is_taken_from_the_ring_while_the_link_is_full() -> None:
    class Endless(Task):
        taken = 0

        def next_block(self) -> Block | None:
            self.taken += 1
            return None

    read_fd, write_fd = os.pipe()
    wire = Wire(read_fd, write_fd)
    session, task = Session(wire), Endless(())
    task.running = True
    session._progress_at = float("inf")
    wire.put(bytes(2 * BUFFERED))
    session._pump(task)
    assert task.taken == 0
    while wire.pending >= BUFFERED:
        os.read(read_fd, 8192)
        wire.write()
    session._pump(task)
    assert task.taken == 1
    os.close(read_fd)
    os.close(write_fd)


def test_a_forked_child_starts_with_signals_blocked() -> None:
    before = signal.pthread_sigmask(signal.SIG_BLOCK, ())
    pid = fork()
    if pid == 0:
        os._exit(42 if set(SIGNALS) <= signal.pthread_sigmask(signal.SIG_BLOCK, ()) else 1)
    assert os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) == 42
    assert signal.pthread_sigmask(signal.SIG_BLOCK, ()) == before
