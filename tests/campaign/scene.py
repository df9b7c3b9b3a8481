"""One scene of a campaign: a command is started, a fault strikes, and everything a desk may expect is checked."""

from __future__ import annotations

import contextlib
import hashlib
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.errors import HostError
from edgereply.evaluation.load_view import evaluate_run
from edgereply.storage.run_reader import RunReader
from edgereply.storage.series_record import load_series
from tests.campaign.injected.sitecustomize import LEVELS
from tests.campaign.injected.wire_tap import LET_GO, ROW
from tests.campaign.tether import REAL
from tests.integration.commands import Done, Running, Workplace, bench_text

STIMULI, BLOCK_STIMULI = 700, 150
PLAN = f"""
repeats = 2
count = {BLOCK_STIMULI}
[axes]
wait = ["block", "spin"]
"""
HERE = Path(__file__).parent
BEGUN_S = 30.0
GONE_S = 20.0


class TooLate(Exception):
    """The command had ended before the fault could strike."""


class Scene:
    """A place of its own with a bench of software wires, an instrumented command in it, and what it left.

    Args:
        root: an empty directory.
        sweep: run a sweep that is resumed afterwards, instead of one measurement.
        rng: draws the moment and the details of the fault.
    """

    def __init__(self, root: Path, sweep: bool, rng: random.Random) -> None:
        self.place, self.sweep, self.rng = Workplace(root), sweep, rng
        self.out = root / "out"
        self.committed: dict[Path, pa.Table] = {}
        self.complaints: list[str] = []
        self.env: dict[str, str] = {
            "PYTHONPATH": str(HERE / "injected"),
            LEVELS: str(root / "levels"),
            REAL: sys.executable,
        }
        tether = root / "tether"
        tether.write_text(f"#!{sys.executable}\n{(HERE / 'tether.py').read_text()}")
        tether.chmod(0o700)
        count = BLOCK_STIMULI if sweep else STIMULI
        self.place.write(bench_text(rate="500/s", count=count, board=f'python = "{tether}"'))
        self.place.write(PLAN, "plan.toml")
        self.running: Running
        self.cleanup = contextlib.ExitStack()

    # -- carrying out

    def begin(self) -> None:
        """Start the command and wait until it handles signals."""
        verb = ["sweep", "plan.toml"] if self.sweep else ["measure"]
        self.running = self.place.start(*verb, "--json", "--out", str(self.out / "it"), **self.env)
        self._until(self._handles_signals, BEGUN_S)

    def at_any_moment(self) -> None:
        """Let a random time pass, from the first imports to the last word; half the moments are after a commit."""
        if self.rng.random() < 0.5:
            self.while_measuring()
        else:
            self._pass_s(self.rng.uniform(0, 2.5))

    def while_measuring(self) -> None:
        """Wait until something was committed, and a random time more."""
        self._until(lambda: bool(self.parts()), BEGUN_S)
        self._pass_s(self.rng.uniform(0, 3.0 if self.sweep else 2.2))

    def note_committed(self) -> None:
        """Remember every committed row: from now on none may be lost."""
        self.committed = {}
        for path in self.parts():
            with contextlib.suppress(FileNotFoundError):
                self.committed[path] = _table(path)

    def parts(self) -> list[Path]:
        """Committed parts of all runs."""
        return sorted(self.out.rglob("part-*.parquet"))

    def runs(self) -> list[Path]:
        """Run directories."""
        return [path.parent for path in sorted(self.out.rglob("run.json"))]

    def find(self, words: str, patience_s: float = BEGUN_S) -> int:
        """Process whose command line holds the words.

        Raises:
            TooLate: the command ended before there was one.
        """
        found: list[int] = []

        def seen() -> bool:
            found[:] = [pid for pid, line in self.place.processes().items() if re.search(words, line)]
            return bool(found)

        self._until(seen, patience_s)
        return found[0]

    def agent(self, role: str) -> int:
        """Process of the agent: `session`, `responder` or `keeper`, once there is one.

        Raises:
            TooLate: the command ended before there was one.
        """
        found: dict[str, int] = {}

        def seen() -> bool:
            found.clear()
            pids = [pid for pid, line in self.place.processes().items() if _is_agent(line)]
            with contextlib.suppress(OSError):
                for pid in pids:
                    if _parent(pid) not in pids:
                        found["session"] = pid
                for pid in pids:
                    if "session" in found and pid != found["session"]:
                        own_group = os.getpgid(pid) == pid
                        found["keeper" if own_group else "responder"] = pid
            return role in found

        self._until(seen, BEGUN_S)
        return found[role]

    def agent_runs_a_task(self) -> bool:
        """Whether a responder is there."""
        agents = [pid for pid, line in self.place.processes().items() if _is_agent(line)]
        return len(agents) > 1

    def kill(self, pid: int, number: int = signal.SIGKILL) -> None:
        """Send a signal.

        Raises:
            TooLate: the process has gone.
        """
        if self.running.process.poll() is not None:
            raise TooLate
        try:
            os.kill(pid, number)
        except ProcessLookupError as error:
            raise TooLate from error

    # -- checking

    def check_end(self, done: Done, codes: frozenset[int], host_died: bool) -> None:
        """Exit code and last message."""
        self.want(done.code in codes, f"exit code {done.code}, not one of {sorted(codes)}")
        self.want("Traceback" not in done.err, "a traceback")
        if host_died:
            return
        if done.code == 3:
            explained = re.search(r"^edgereply: \S", done.err, re.MULTILINE) and "  what to do: " in done.err
            block_failed = self.sweep and "block failed: " in done.err and "--resume" in done.err
            self.want(bool(explained or block_failed), "exit code 3 and no explanation")
        elif done.code == 130:
            self.want("interrupted" in done.err, "exit code 130 and no word about it")
        elif done.code not in (0, 3):
            self.want(False, "neither done, nor trouble, nor interrupted")

    def check_kept(self, may_be_cut_off: bool) -> None:
        """Every committed row is there as it was, every run readable and marked."""
        for path, rows in self.committed.items():
            self.want(_begins_with(path, rows), f"committed rows lost or changed: {path.name}")
        changes = self._levels()
        for run in self.runs():
            try:
                self._check_run(run, changes, may_be_cut_off)
            except HostError as error:
                self.want(False, f"unreadable run: {error}")
        if not may_be_cut_off:
            left = [path.name for path in self.out.rglob(".*partial")]
            self.want(not left, f"partial files left: {left}")

    def _check_run(self, run: Path, changes: Int64s, may_be_cut_off: bool) -> None:
        reader = RunReader(run)
        record = reader.record
        board = reader.board()
        evaluate_run(reader, record.deadline_ns)
        there = {path for path in self.committed if run in path.parents}
        rows = sum(self.committed[path].num_rows for path in there if path.parent.name == "board")
        self.want(len(board.edge_ns) >= rows, f"{rows} answers were committed, {len(board.edge_ns)} are readable")
        if record.state == "running":
            self.want(may_be_cut_off, "the run still says that it is running")
        elif record.state == "incomplete":
            self.want(bool(record.reason), "incomplete, and no reason why")
        # What was read back is what happened: each answer is on the wire between its edge and the end of its write.
        written = board.set_ns != NO_STAMP
        before, after = board.edge_ns[written], board.set_ns[written]
        rises = np.searchsorted(changes, after, side="right") - np.searchsorted(changes, before)
        self.want(bool((rises >= 1).all()), "an answer that was never on the wire")

    def check_outputs_low(self) -> None:
        """The last level the wires saw from each board was low."""
        last: dict[int, int] = {}
        for _, number, level in self._rows():
            if level == LET_GO:
                self.want(last.get(number, 0) == 0, "the board let go of the wire while it was high")
            else:
                last[number] = level
        self.want(not any(last.values()), "an output stayed high")

    def check_nothing_left(self, files_too: bool) -> None:
        """No process, no temporary file."""
        end = time.monotonic() + GONE_S
        while (left := self.place.processes()) and time.monotonic() < end:
            time.sleep(0.02)
        self.want(not left, f"processes left: {list(left.values())}")
        for pid in left:
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        files = list(self.place.temporary.rglob("*"))
        self.want(not (files and files_too), f"files left: {[str(path) for path in files]}")

    def check_resumes(self) -> None:
        """`sweep --resume` measures what is missing and keeps what was there."""
        there = {path: _digest(path) for path in self.parts()}
        done = self.place.run("sweep", "plan.toml", "--json", "--resume", "--out", str(self.out / "it"), **self.env)
        self.want(done.code == 0, f"--resume ended with {done.code}: {done.err[-300:]}")
        self.want(all(path.exists() and _digest(path) == digest for path, digest in there.items()), "resume lost parts")
        if done.code == 0:
            blocks = load_series(self.out / "it").blocks
            self.want(len(blocks) == 4 and all(b.state == "complete" for b in blocks), "blocks missing after --resume")
            for block in blocks:
                answers = len(RunReader(self.out / "it" / block.run).source().edges()[0])
                self.want(answers == BLOCK_STIMULI, f"block {block.run} has {answers} stimuli")

    def want(self, holds: bool, otherwise: str) -> None:
        """Note a complaint unless something holds."""
        if not holds:
            self.complaints.append(otherwise)

    # -- inside

    def _rows(self) -> list[tuple[int, int, int]]:
        path = self.place.root / "levels"
        data = path.read_bytes() if path.exists() else b""
        return list(ROW.iter_unpack(data[: len(data) // ROW.size * ROW.size]))

    def _levels(self) -> Int64s:
        return np.sort(np.array([at_ns for at_ns, _, level in self._rows() if level == 1], np.int64))

    def _handles_signals(self) -> bool:
        status = Path(f"/proc/{self.running.process.pid}/status").read_text()
        caught = int(re.search(r"SigCgt:\s*(\w+)", status)[1], 16)  # type: ignore[index]
        return bool(caught >> (signal.SIGHUP - 1) & 1)

    def _until(self, there: Callable[[], bool], patience_s: float) -> None:
        end = time.monotonic() + patience_s
        while not there():
            if self.running.process.poll() is not None or time.monotonic() > end:
                raise TooLate
            time.sleep(0.003)

    def _pass_s(self, wait_s: float) -> None:
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.running.process.wait(wait_s)

    def restore_disk(self) -> None:
        """Put right what the fault did to the disk."""
        if os.path.ismount(self.out):
            command = ["mount", "-o", "remount,rw,size=64m", str(self.out)]
            subprocess.run(command, check=True, timeout=20)

    def remove(self) -> None:
        """Take the place away."""
        self.cleanup.close()
        shutil.rmtree(self.place.root, ignore_errors=True)


def _is_agent(line: str) -> bool:
    return "edgereply-agent" in line and "/tether " not in line


def _parent(pid: int) -> int:
    return int(Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[1])


def _table(path: Path) -> pa.Table:
    with pq.ParquetFile(path) as file:
        return file.read()


def _begins_with(path: Path, rows: pa.Table) -> bool:
    try:
        return bool(_table(path).slice(0, rows.num_rows).equals(rows))
    except (OSError, pa.ArrowException):
        return False


def _digest(path: Path) -> bytes:
    return hashlib.sha256(path.read_bytes()).digest()
