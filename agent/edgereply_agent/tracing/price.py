"""What one event costs on this board: two processes hand a byte to and fro, with events and without.

Only the events' own cost shows, which each answer pays for; reading the ring happens beside the answers.
"""

from __future__ import annotations

import contextlib
import os
import time
from typing import Callable, Optional

from edgereply_agent.load import keep_only
from edgereply_agent.processes import fork

from .instance import Instance

ROUNDS, BATCHES = 40, 5
LONGEST_S = 5.0


def event_cost_ns(instance: Instance) -> Optional[int]:
    """The cost of one event in ns; None where it could not be measured. The ring is empty afterwards.

    Raises:
        OSError: the ring is gone.
    """
    cpu = next((cpu for cpu in instance.cpus if cpu in os.sched_getaffinity(0)), None)
    if cpu is None:
        return None
    plain: list[int] = []
    costly: list[int] = []
    events = 0
    with contextlib.ExitStack() as ends:
        # Both on one CPU, so that each hand-over is a switch there.
        there, back = os.pipe(), os.pipe()
        for fd in (*there, *back):
            ends.callback(os.close, fd)
        echo = _start(cpu, lambda: _echo(there[0], back[1]), {there[0], back[1]})
        ends.callback(_end, echo)
        instance.record(True)
        for on in (False, True) * BATCHES:
            instance.switch_events(on)
            before = instance.entries()
            took = _batch(cpu, there[1], back[0])
            if took is None:
                return None
            (costly if on else plain).append(took)
            events += instance.entries() - before if on else 0
        instance.record(False)
    instance.clear()
    if events <= 0:
        return None
    return max(0, (sorted(costly)[BATCHES // 2] - sorted(plain)[BATCHES // 2]) * BATCHES // events)


def _batch(cpu: int, out: int, into: int) -> Optional[int]:
    """How long some rounds take, in ns; timed by a process of its own, whose CPU the session need not share."""
    read_fd, write_fd = os.pipe()

    def rounds() -> None:
        began = time.monotonic_ns()
        for _ in range(ROUNDS):
            os.write(out, b"x")
            os.read(into, 1)
        os.write(write_fd, b"%d" % (time.monotonic_ns() - began))

    child = _start(cpu, rounds, {out, into, write_fd})
    os.close(write_fd)
    try:
        end = time.monotonic() + LONGEST_S
        os.set_blocking(read_fd, False)
        while time.monotonic() < end:
            with contextlib.suppress(BlockingIOError):
                text = os.read(read_fd, 32)
                return int(text) if text else None
            time.sleep(0.002)
        return None
    finally:
        os.close(read_fd)
        _end(child)


def _start(cpu: int, body: Callable[[], None], keep: set[int]) -> int:
    pid = fork()
    if pid == 0:
        try:
            os.setsid()
            keep_only(keep)
            os.sched_setaffinity(0, {cpu})
            body()
        finally:
            os._exit(0)
    return pid


def _echo(into: int, out: int) -> None:
    while os.read(into, 1):
        os.write(out, b"x")


def _end(pid: int) -> None:
    with contextlib.suppress(OSError):
        os.kill(pid, 9)
    with contextlib.suppress(OSError):
        os.waitpid(pid, 0)
