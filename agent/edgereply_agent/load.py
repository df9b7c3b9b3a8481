"""Load on purpose: processes that keep processors, memory, storage or the network busy while something is measured.

They are forked before any line is taken, so they hold none. Each is limited (amount, memory, file size, share of time),
runs at the lowest priority there is, and ends by the kernel's own means when the session ends, SIGKILL included: it is
killed with its parent, and the pipe it looks at falls silent. Its file never has a name where the file system can do
that.
"""

from __future__ import annotations

import contextlib
import mmap
import os
import select
import signal
import struct
import time

from edgereply_protocol import Json

from .counters import cpu_ns
from .errors import AgentError
from .load_kinds import WORK, Granted, grant
from .processes import SIGNALS, Forked, fork
from .realtime import die_with_parent
from .settings import LoadSpec

SLOT_S = 0.02
START_S, STOP_S = 5.0, 1.0
SPARE_BYTES = 64 << 20
_CELL = struct.Struct("=q")


class Load:
    """Processes that wait until they are told to start.

    Args:
        wanted: amounts.

    Raises:
        AgentError: there is no place for the file, or no memory.
    """

    def __init__(self, wanted: LoadSpec) -> None:
        granted = grant(wanted)
        self.in_effect, self.warnings = granted.in_effect, granted.warnings
        self._children: list[_Child] = []
        self._cells = mmap.mmap(-1, mmap.PAGESIZE)
        try:
            for number, kind in enumerate(granted.kinds):
                self._children.append(_Child(kind, granted, self._cells, number))
        except BaseException:
            self.close()
            raise
        finally:
            granted.close()

    @property
    def session_fds(self) -> tuple[int, ...]:
        """Descriptors of the session that other processes must not keep."""
        return tuple(child.go_fd for child in self._children if child.go_fd >= 0)

    @property
    def pids(self) -> dict[str, int]:
        """Process numbers by name."""
        return {f"load {child.name}": child.pid for child in self._children if child.alive()}

    def start(self) -> None:
        """Let them work; returns when all do.

        Raises:
            AgentError: one ended instead.
        """
        for child in self._children:
            with contextlib.suppress(OSError):
                os.write(child.go_fd, b"g")
        end = time.monotonic() + START_S
        for number, child in enumerate(self._children):
            while self._done(number) == 0:
                if not child.alive() or time.monotonic() > end:
                    raise AgentError(
                        "no-memory", f"the load on the {child.kind} did not start ({child.how()})", "load",
                        "ask for less of it",
                    )  # fmt: skip
                time.sleep(0.002)

    def report(self) -> Json:
        """What was done so far by kind, in its own unit, and who ended early."""
        found: Json = {"done": {}, "cpu_ns": 0, "ended": []}
        for number, child in enumerate(self._children):
            unit = {"cpu": "loops"}.get(child.kind, "bytes")
            total = found["done"].setdefault(child.kind, {unit: 0})
            # One has been done at the start, so that the start is seen.
            total[unit] += max(0, self._done(number) - 1)
            found["cpu_ns"] += cpu_ns(child.pid)
            if not child.alive():
                found["ended"].append(f"{child.name}: {child.how()}")
        return found

    def close(self) -> None:
        """End all of them, by force after a moment. May be called again."""
        for child in self._children:
            child.let_go()
        end = time.monotonic() + STOP_S
        for child in self._children:
            while child.alive() and time.monotonic() < end:
                time.sleep(0.002)
            child.kill()

    def _done(self, number: int) -> int:
        (done,) = _CELL.unpack_from(self._cells, number * _CELL.size)
        assert isinstance(done, int)
        return done


class _Child(Forked):
    """One process."""

    def __init__(self, kind: str, granted: Granted, cells: mmap.mmap, number: int) -> None:
        self.kind, self.name = kind, f"{kind} {number + 1}"
        go, self.go_fd = os.pipe()
        parent = os.getpid()
        self.pid = fork()
        if self.pid == 0:
            code = 70
            try:
                code = _work(kind, granted, cells, number * _CELL.size, go, parent)
            except (MemoryError, OSError):
                code = 71
            finally:
                os._exit(code)
        os.close(go)

    def how(self) -> str:
        """How it ended, in words."""
        status = self.exit_status
        if status is None:
            return "it did not start in time"
        if os.WIFSIGNALED(status):
            return f"killed by signal {os.WTERMSIG(status)}, perhaps for want of memory"
        words = {0: "it has done all it may", 71: "the system gave it no memory, no space or no network"}
        return words.get(os.WEXITSTATUS(status), f"ended with code {os.WEXITSTATUS(status)}")

    def let_go(self) -> None:
        """The pipe falls silent."""
        if self.go_fd >= 0:
            os.close(self.go_fd)
        self.go_fd = -1


def _work(kind: str, granted: Granted, cells: mmap.mmap, at: int, go: int, parent: int) -> int:
    signal.set_wakeup_fd(-1)
    for number in SIGNALS:
        signal.signal(number, signal.SIG_DFL)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, SIGNALS)
    os.setsid()
    die_with_parent(signal.SIGKILL)
    if os.getppid() != parent:
        return 1
    keep_only({go, *granted.fds(kind)})
    stand_back(kind, granted)
    if not os.read(go, 1):
        return 0
    work = WORK[kind](granted)
    poll = select.poll()
    poll.register(go, select.POLLIN)
    busy_s = SLOT_S * granted.duty_percent / 100
    done = 1
    _CELL.pack_into(cells, at, done)
    while True:
        end = time.monotonic() + busy_s
        while time.monotonic() < end:
            step = work()
            if step < 0:
                return 0
            done += step
            _CELL.pack_into(cells, at, done)
        if poll.poll(int((SLOT_S - busy_s) * 1000)):
            return 0


def keep_only(fds: set[int]) -> None:
    """Close every descriptor but these and the three standard ones, which lead nowhere afterwards."""
    null = os.open(os.devnull, os.O_RDWR)
    for standard in (0, 1, 2):
        os.dup2(null, standard)
    for name in os.listdir("/proc/self/fd"):
        if int(name) > 2 and int(name) not in fds:
            with contextlib.suppress(OSError):
                os.close(int(name))


def stand_back(kind: str, granted: Granted) -> None:
    """Lowest priority, which the kernel takes for the disk as well; first to go when memory runs out; limits."""
    import resource

    with contextlib.suppress(OSError):
        os.nice(19)
    with contextlib.suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_IDLE, os.sched_param(0))
    with contextlib.suppress(OSError), open("/proc/self/oom_score_adj", "w") as file:
        file.write("1000")
    size = 0
    with contextlib.suppress(OSError), open("/proc/self/statm") as file:
        size = int(file.read().split()[0]) * mmap.PAGESIZE
    limits = [(resource.RLIMIT_CORE, 0), (resource.RLIMIT_FSIZE, granted.storage_bytes if kind == "storage" else 0)]
    if size:
        limits.append((resource.RLIMIT_AS, size + SPARE_BYTES + (granted.memory_bytes if kind == "memory" else 0)))
    for which, limit in limits:
        with contextlib.suppress(OSError, ValueError):
            resource.setrlimit(which, (limit, limit))
