import subprocess
import sys
import threading
from contextlib import closing

import pytest

from edgereply.board.process import CHUNK, JOIN_S, MOST_HELD, ProcessLink, Received
from edgereply.errors import LinkError
from edgereply.system.deadline import Deadline

SLOW_TO_COMPLAIN = (
    "import os, sys, time; os.close(1); time.sleep(0.3); sys.stderr.write('Host key verification failed.')"
)
ECHO = "import sys; data = sys.stdin.buffer.readline(); sys.stdout.buffer.write(data); sys.stdout.flush()"


def until_end(link: ProcessLink) -> bytes:
    found, deadline = b"", Deadline(20.0)
    while (data := link.read(0.2)) is not None:
        assert not deadline.expired()
        found += data
    return found


def test_the_last_words_of_a_child_are_waited_for() -> None:
    with closing(ProcessLink([sys.executable, "-c", SLOW_TO_COMPLAIN], "board")) as link:
        assert until_end(link) == b""
        assert link.complaints == "Host key verification failed."


def test_bytes_go_both_ways_and_the_end_is_told_again_and_again() -> None:
    with closing(ProcessLink([sys.executable, "-c", ECHO], "board")) as link:
        link.write(b"there and back\n")
        assert until_end(link) == b"there and back\n"
        assert link.read(0) is None
        assert link.read(0) is None


def test_a_missing_program_is_named() -> None:
    with pytest.raises(LinkError, match="no-such-program-here"):
        ProcessLink(["no-such-program-here"], "board")


def test_a_child_that_will_not_end_is_ended() -> None:
    link = ProcessLink([sys.executable, "-c", "import time; time.sleep(600)"], "board")
    assert link.close(grace_s=0.2) != 0
    assert link.read(0.5) is None


FLOOD = "import os\nwhile True: os.write(1, b'x' * 65536)"
DEAF = (
    "import signal, sys, time\nsignal.signal(signal.SIGTERM, signal.SIG_IGN)\nprint('up', flush=True)\ntime.sleep(600)"
)


def test_what_is_not_read_is_held_up_to_a_bound() -> None:
    received = Received()

    def feed() -> None:
        for _ in range(4 * MOST_HELD // CHUNK):
            received.put(b"x" * CHUNK)

    fed = threading.Thread(target=feed)
    fed.start()
    fed.join(0.5)
    assert fed.is_alive()
    assert received.held <= MOST_HELD + CHUNK
    taken = 0
    while data := received.get(5.0):
        taken += len(data)
        if taken == 4 * MOST_HELD:
            break
    assert taken == 4 * MOST_HELD
    fed.join(5.0)
    assert received.held == 0


def test_a_flood_nobody_reads_ends_with_the_link() -> None:
    link = ProcessLink([sys.executable, "-c", FLOOD], "board")
    assert link.read(20.0)
    assert link.close(grace_s=0.1) != 0
    assert link.read(0.0) is None


def test_a_far_end_that_takes_nothing_is_given_up() -> None:
    with closing(ProcessLink([sys.executable, "-c", DEAF], "board")) as link:
        assert link.read(20.0)
        with pytest.raises(LinkError, match=r"has not taken \d+ of 1048576 bytes within 0 s"):
            link.write(b"x" * (1 << 20), timeout_s=0.2)


class Unending:
    """A child that does not die, in a time of its own."""

    def __init__(self, interrupt_at: int = -1) -> None:
        self.waited_s: list[float] = []
        self.signals: list[str] = []
        self.returncode = None
        self._interrupt_at = interrupt_at

    def wait(self, timeout: float) -> int:
        self.waited_s.append(timeout)
        if len(self.waited_s) == self._interrupt_at:
            raise KeyboardInterrupt
        raise subprocess.TimeoutExpired("child", timeout)

    def terminate(self) -> None:
        self.signals.append("TERM")

    def kill(self) -> None:
        self.signals.append("KILL")


def closed_after_ctrl_c(link: ProcessLink) -> None:
    try:
        raise KeyboardInterrupt
    except KeyboardInterrupt:
        link.close()


def test_after_ctrl_c_the_longest_wait_is_below_two_seconds(monkeypatch: pytest.MonkeyPatch) -> None:
    """Virtual time: the waits that were asked for, all of them in vain."""
    link = ProcessLink([sys.executable, "-c", DEAF], "board")
    real, joins = link._child, 2 * JOIN_S
    for interrupted in (True, False):
        fake = Unending() if interrupted else Unending(interrupt_at=1)
        fake.__dict__.update(stdin=real.stdin, stdout=real.stdout, stderr=real.stderr)
        monkeypatch.setattr(link, "_child", fake)
        if interrupted:
            closed_after_ctrl_c(link)
        else:
            with pytest.raises(KeyboardInterrupt):
                link.close()
        assert fake.signals == ["TERM", "KILL"]
        waited_s = sum(fake.waited_s if interrupted else fake.waited_s[1:])
        assert waited_s + joins <= 2.0
    monkeypatch.undo()
    link.close(0.0)
