"""The real command line in a subprocess of its own, and everything it started, found by a mark in the environment."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import subprocess
import sys
import time
import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from edgereply.storage.run_reader import RunReader

MARK = "EDGEREPLY_TEST_MARK"
PATIENCE_S = 90.0
# Commands that may open the board of a bench file.
TRUSTING = ("inspect", "deploy", "source", "wiring", "measure", "sweep", "compare")
BENCH = """
title = "Reject gate (virtual)"
deadline = "{deadline}"
[board.gate]
link = "local"
route = "virtual"
{board}
[source]
kind = "virtual"
options = {{ {options} }}
[stimulus]
rate = "{rate}"
floor = "{floor}"
count = {count}
"""


def bench_text(
    options: str = "", rate: str = "500/s", floor: str = "500us", count: int = 300, board: str = "",
    deadline: str = "2ms",
) -> str:  # fmt: skip
    """A bench of software wires."""
    return BENCH.format(options=options, rate=rate, floor=floor, count=count, board=board, deadline=deadline)


@dataclass(frozen=True, slots=True)
class Done:
    """A command that has ended."""

    code: int
    out: str
    err: str

    @property
    def document(self) -> dict[str, Any]:
        """The one JSON document on stdout."""
        found = json.loads(self.out)
        assert isinstance(found, dict)
        return found


class Workplace:
    """A directory to run commands in, with a temporary directory of its own that must end up empty.

    Args:
        root: an empty directory.
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        self.temporary = root / "t"
        self.temporary.mkdir()
        self.trusts = True
        self.mark = uuid.uuid4().hex

    def write(self, text: str, name: str = "bench.toml") -> Path:
        """Write a file there."""
        path = self.root / name
        path.write_text(text, encoding="utf-8")
        return path

    def start(self, *arguments: str, **more_env: str) -> Running:
        """Start a command."""
        if arguments and arguments[0] in TRUSTING and self._names_programs():
            arguments = (*arguments, "--trust")
        state = str(self.root / ".state")
        env = {
            **os.environ,
            "XDG_STATE_HOME": state,
            "TMPDIR": str(self.temporary),
            MARK: self.mark,
            "PYTHONFAULTHANDLER": "",
            **more_env,
        }
        files = [(self.root / f".{name}").open("w+") for name in ("out", "err")]
        process = subprocess.Popen(
            [sys.executable, "-m", "edgereply", *arguments],
            cwd=self.root,
            env=env,
            stdin=subprocess.DEVNULL,
            stdout=files[0],
            stderr=files[1],
            start_new_session=True,
        )
        for file in files:
            file.close()
        return Running(self, process)

    def _names_programs(self) -> bool:
        """Whether a bench file there has a program run on this computer; the tests wrote it and trust it."""
        texts = [path.read_text("utf-8", "replace") for path in self.root.glob("*.toml")] if self.trusts else []
        return any(re.search(r"^(python|ssh_config) *=", text, re.MULTILINE) for text in texts)

    def run(self, *arguments: str, **more_env: str) -> Done:
        """Run a command to its end."""
        return self.start(*arguments, **more_env).end()

    def processes(self) -> dict[int, str]:
        """All living processes that carry the mark: pid and command line."""
        found = {}
        for entry in Path("/proc").iterdir():
            if entry.name.isdigit():
                with contextlib.suppress(OSError):
                    if f"{MARK}={self.mark}".encode() in (entry / "environ").read_bytes():
                        found[int(entry.name)] = (entry / "cmdline").read_text().replace("\0", " ")
        return found

    def nothing_left(self) -> None:
        """Fail when a process or a temporary file outlives its command by more than a few seconds."""
        try:
            await_that(lambda: not self.processes(), lambda: f"still running: {self.processes()}", 20.0)
        finally:
            for pid in self.processes():
                with contextlib.suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)
        assert not list(self.temporary.iterdir())


class Running:
    """A command that runs."""

    def __init__(self, place: Workplace, process: subprocess.Popen[bytes]) -> None:
        self.place = place
        self.process = process

    @property
    def err(self) -> str:
        """What it has written to stderr so far."""
        return (self.place.root / ".err").read_text()

    def until(self, there: Callable[[], object], what: str) -> None:
        """Wait until something holds while the command runs."""

        def seen() -> bool:
            if there():
                return True
            assert self.process.poll() is None, f"ended before {what}:\n{self.err}"
            return False

        await_that(seen, lambda: f"{what}:\n{self.err}")

    def until_committed(self, run: Path) -> None:
        """Wait until stamps of both clocks are on the disk."""
        folders = [run / "stamps", run / "board"]
        self.until(lambda: all(list(folder.glob("part-*.parquet")) for folder in folders), "no part was committed")

    def agent(self) -> AgentFamily:
        """The agent's processes."""
        return AgentFamily.find(self.place.processes())

    def source(self) -> int:
        """Process of the virtual source."""
        return next(pid for pid, line in self.place.processes().items() if "edgereply.sources.simulator" in line)

    def signal(self, number: int) -> None:
        """Send a signal to the command alone."""
        self.process.send_signal(number)

    def end(self, patience_s: float = PATIENCE_S) -> Done:
        """Wait for its end."""
        try:
            code = self.process.wait(patience_s)
        finally:
            if self.process.poll() is None:
                os.killpg(self.process.pid, signal.SIGKILL)
                self.process.wait(10)
        return Done(code, (self.place.root / ".out").read_text(), self.err)


@dataclass(frozen=True, slots=True)
class AgentFamily:
    """Session, responder and keeper of one agent."""

    session: int
    responder: int
    keeper: int

    @classmethod
    def find(cls, processes: dict[int, str]) -> AgentFamily:
        """Tell them apart: the responder shares the session's process group, the keeper has one of its own."""
        agents = [pid for pid, line in processes.items() if "edgereply-agent" in line]
        session = next(pid for pid in agents if _parent(pid) not in agents)
        children = [pid for pid in agents if pid != session]
        (responder,) = (pid for pid in children if os.getpgid(pid) == os.getpgid(session))
        (keeper,) = (pid for pid in children if os.getpgid(pid) != os.getpgid(session))
        return cls(session, responder, keeper)


def await_that(there: Callable[[], bool], what: Callable[[], str], patience_s: float = PATIENCE_S) -> None:
    """Wait for something; fail when it does not come."""
    end = time.monotonic() + patience_s
    while not there():
        assert time.monotonic() < end, what()
        time.sleep(0.005)


def parts(run: Path) -> list[Path]:
    """Committed parts of a run."""
    return sorted(run.glob("*/part-*.parquet"))


def rows(run: Path) -> tuple[int, int]:
    """Read a run as a user would. Returns rows of the source's and of the board's clock."""
    reader = RunReader(run)
    return len(reader.source().stimulus_ns), len(reader.board().edge_ns)


def explained(done: Done, code: int, *words: str) -> None:
    """Check that a failure explains itself: what, where, what to do, on stderr, without a traceback."""
    assert done.code == code, done.err
    assert "Traceback" not in done.err
    assert re.search(r"^edgereply: \S", done.err, re.MULTILINE), done.err
    for label in ("  where: ", "  what to do: "):
        assert label in done.err, done.err
    for word in words:
        assert word in done.err, f"{word!r} not in {done.err}"


def _parent(pid: int) -> int:
    return int(Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[1])


@contextlib.contextmanager
def mounted(directory: Path, options: str) -> Iterator[None]:
    """A small file system in memory (root only)."""
    directory.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(directory)], check=True, timeout=20)
    try:
        yield
    finally:
        subprocess.run(["umount", "--lazy", str(directory)], check=True, timeout=20)
