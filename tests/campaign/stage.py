"""Carries scenes out, several at a time, and counts what came of them."""

from __future__ import annotations

import random
import shutil
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from tests.campaign.faults import FAULTS, Fault
from tests.campaign.scene import Scene, TooLate
from tests.integration.commands import Done

SWEEPS = 0.2
COLUMNS = ("struck", "of sweeps", "too late", "done", "trouble", "interrupted", "killed", "parts kept", "complaints")


class Campaign:
    """Random faults of some kinds, the kinds in turn; reproducible but for what the computer's scheduler decides.

    Args:
        seed: of everything random.
        kinds: keys of `FAULTS`.
        keep: where directories of scenes with complaints go; None to drop them.
        progress: say on stderr how far it is.

    Attributes:
        complaints: one text a scene in which something was not as it should be.
        counts: by (kind, column).
    """

    def __init__(self, seed: int, kinds: Sequence[str], keep: Path | None = None, progress: bool = False) -> None:
        self._seed, self._kinds, self._keep, self._progress = seed, kinds, keep, progress
        self.complaints: list[str] = []
        self.counts: Counter[tuple[str, str]] = Counter()
        self._lock = threading.Lock()
        self._next = 0
        self._struck = 0

    def run(self, faults: int, jobs: int, most_s: float = 86_400.0) -> None:
        """Go on until so many faults have struck or the time is over; one that comes too late is drawn again."""
        began = time.monotonic()

        def work(_: int) -> None:
            while True:
                with self._lock:
                    over = time.monotonic() - began > most_s
                    if over or self._struck + self._under_way >= faults:
                        return
                    number, self._next = self._next, self._next + 1
                    self._under_way += 1
                struck = self._scene(number)
                with self._lock:
                    self._under_way -= 1
                    self._struck += struck
                if self._progress:
                    left_s = (time.monotonic() - began) / max(1, self._struck) * (faults - self._struck)
                    found = f"{len(self.complaints)} complaints, about {left_s / 60:.0f} min left"
                    print(f"\r{self._struck} of {faults} faults, {found}  ", end="", file=sys.stderr, flush=True)

        self._under_way = 0
        with ThreadPoolExecutor(jobs) as pool:
            list(pool.map(work, range(jobs)))
        if self._progress:
            print(file=sys.stderr)

    def table(self) -> str:
        """The counts by kind."""
        width = max(map(len, FAULTS))
        rows = [f"{'fault':{width}}" + "".join(f"{name:>13}" for name in COLUMNS)]
        for kind in (*self._kinds, "all"):
            names = self._kinds if kind == "all" else [kind]
            cells = [sum(self.counts[name, column] for name in names) for column in COLUMNS]
            rows.append(f"{kind:{width}}" + "".join(f"{cell:13,}" for cell in cells))
        return "\n".join(rows)

    def _scene(self, number: int) -> bool:
        kind = self._kinds[number % len(self._kinds)]
        rng = random.Random(f"{self._seed}/{number}")
        root = Path(tempfile.mkdtemp(prefix="campaign-"))
        scene = Scene(root, rng.random() < SWEEPS, rng)
        try:
            struck, done = play(scene, FAULTS[kind])
        except Exception as error:
            struck, done = True, Done(0, "", "")
            scene.complaints.append(f"the scene itself broke: {type(error).__name__}: {error}")
        ended = {0: "done", 3: "trouble", 130: "interrupted"}.get(done.code, "killed")
        with self._lock:
            if struck:
                self.counts[kind, "struck"] += 1
                self.counts[kind, "of sweeps"] += scene.sweep
                self.counts[kind, ended] += 1
                self.counts[kind, "parts kept"] += len(scene.committed)
            else:
                self.counts[kind, "too late"] += 1
            self.counts[kind, "complaints"] += bool(scene.complaints)
            if scene.complaints:
                verb = "sweep" if scene.sweep else "measure"
                text = f"\nscene {number}, {kind}, {verb}: {'; '.join(scene.complaints)}\n{done.err[-600:]}"
                self.complaints.append(text)
                if self._progress:
                    print(text, file=sys.stderr, flush=True)
                if self._keep is not None:
                    shutil.copytree(root, self._keep / f"scene-{number}", ignore=shutil.ignore_patterns("t"))
        scene.remove()
        return struck


def play(scene: Scene, fault: Fault) -> tuple[bool, Done]:
    """Start, strike, check. Returns whether the fault struck, and how it ended."""
    if fault.prepare is not None:
        fault.prepare(scene)
    struck = True
    codes = fault.codes
    try:
        scene.begin()
        fault.strike(scene)
    except TooLate:
        struck, codes = False, frozenset({0})
    done = scene.running.end()
    codes |= {0} if done.code == 0 else set()
    scene.check_nothing_left(not fault.files_stay)
    scene.check_end(done, codes, fault.host_dies)
    scene.check_kept(may_be_cut_off=struck and (fault.host_dies or fault.disk_fails))
    if fault.level_known:
        scene.check_outputs_low()
    if scene.sweep and (scene.out / "it" / "series.json").exists():
        scene.restore_disk()
        scene.check_resumes()
    return struck, done
