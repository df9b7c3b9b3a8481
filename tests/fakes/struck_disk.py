"""A disk under a run that is being written: struck at any of its steps, it keeps what a real one would keep."""

from __future__ import annotations

import errno
import os
import shutil
import stat
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from edgereply.storage import run_writer

CALLS = (
    (os, "mkdir"),
    (os, "fsync"),
    (os, "replace"),
    (os, "open"),
    (os, "close"),
    (os, "unlink"),
    (run_writer, "sha256_of"),
)


class Killed(BaseException):
    """The program is dead: whatever it still tries to do to the disk has no effect."""


class Disk:
    """Counts the writer's steps: one before each call on the disk, and one in the middle of writing a part.

    Args:
        strike_at: number of the step that fails, from 1; 0 none.
        fatal: the program dies there; otherwise the system says once that there is no room.
        watch: called at each step, to look at what is on the disk.
    """

    def __init__(self, strike_at: int = 0, fatal: bool = True, watch: Callable[[], None] | None = None) -> None:
        self.steps, self.struck = 0, False
        self._looking = False
        self._strike_at, self._fatal, self._watch = strike_at, fatal, watch
        self._synced: set[int] = set()
        self._lost: set[Path] = set()
        self._renamed: dict[Path, bytes | None] = {}
        self._made: list[Path] = []

    @contextmanager
    def laid_under(self, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
        """Stand between everything inside and the disk."""
        with monkeypatch.context() as patch:
            for module, name in CALLS:
                patch.setattr(module, name, self._wrapped(name, getattr(module, name)))
            patch.setattr(pq, "write_table", self._writing(pq.write_table))
            yield

    def cut_power(self, renames_last: bool) -> None:
        """Take away what was not synced: contents of files always, names given since their directory was, or not."""
        if not renames_last:
            for path, old in self._renamed.items():
                self._lost.discard(path)
                if old is None:
                    path.unlink()
                else:
                    path.write_bytes(old)
            for folder in self._made:
                shutil.rmtree(folder, ignore_errors=True)
        for path in self._lost:
            path.write_bytes(b"")

    def _step(self) -> None:
        if self.struck and self._fatal:
            raise Killed
        self.steps += 1
        if self.steps == self._strike_at:
            self.struck = True
            raise Killed if self._fatal else OSError(errno.ENOSPC, "No space left on device")
        if self._watch is not None and not self._looking:
            self._looking = True
            self._watch()
            self._looking = False

    def _wrapped(self, name: str, call: Callable[..., Any]) -> Callable[..., Any]:
        def stepped(*arguments: Any, **options: Any) -> Any:
            if self._looking:
                return call(*arguments, **options)
            self._step()
            if name == "replace":
                self._note_rename(*map(Path, arguments))
            elif name == "mkdir" and not Path(arguments[0]).exists():
                self._made.append(Path(arguments[0]))
            # Nothing is synced in truth: what a cut would take away is known here, and these are many.
            return self._note_synced(*arguments) if name == "fsync" else call(*arguments, **options)

        return stepped

    def _writing(self, call: Callable[..., Any]) -> Callable[..., Any]:
        def stepped(table: object, path: Path, **options: Any) -> None:
            self._step()
            call(table, path, **options)
            whole = path.read_bytes()
            path.write_bytes(whole[: len(whole) // 2])
            self._step()
            path.write_bytes(whole)
            self._synced.discard(path.stat().st_ino)

        return stepped

    def _note_rename(self, source: Path, target: Path) -> None:
        number = source.stat().st_ino
        (self._lost.discard if number in self._synced else self._lost.add)(target)
        self._synced.discard(number)
        self._renamed.setdefault(target, target.read_bytes() if target.exists() else None)

    def _note_synced(self, descriptor: int) -> None:
        found = os.fstat(descriptor)
        if not stat.S_ISDIR(found.st_mode):
            self._synced.add(found.st_ino)
            return
        for path in [path for path in self._renamed if path.parent.stat().st_ino == found.st_ino]:
            del self._renamed[path]
        self._made = [path for path in self._made if path.parent.stat().st_ino != found.st_ino]
