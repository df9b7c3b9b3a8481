"""A copy of the tree in which sources are changed, and tests run against it under a time limit."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from enum import Enum
from pathlib import Path
from types import TracebackType

ROOT = Path(__file__).resolve().parents[2]
TREES = ("agent", "docs", "examples", "host", "protocol", "tests")
FILES = ("pyproject.toml", "README.md", "DEVELOPERS.md", "requirements.lock", "mkdocs.yml", "LICENSE")
_FAILED = 1  # pytest's exit code; above it nothing was tested


class Outcome(Enum):
    """What tests say of a change."""

    KILLED = "killed"
    TIMED_OUT = "killed by the time limit"
    SURVIVED = "survived"
    BROKEN = "the tests cannot be run"


class Workplace:
    """A context manager: the copy lives as long as it is open."""

    def __init__(self, limit_s: float) -> None:
        """
        Args:
            limit_s: for one call of the tests; a change that makes them hang is noticed by it.
        """
        self.limit_s = limit_s
        self.said = ""
        self._folder: tempfile.TemporaryDirectory[str] | None = None

    def __enter__(self) -> Workplace:
        self._folder = tempfile.TemporaryDirectory(prefix="edgereply-mutation-")
        ignored = shutil.ignore_patterns("__pycache__", "*.pyc", "node_modules", ".hypothesis")
        self.root.mkdir()
        for name in TREES:
            shutil.copytree(ROOT / name, self.root / name, ignore=ignored, symlinks=True)
        for name in FILES:
            shutil.copy(ROOT / name, self.root / name)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._folder is not None
        self._folder.cleanup()

    @property
    def root(self) -> Path:
        """Of the copy."""
        assert self._folder is not None
        return Path(self._folder.name) / "tree"

    @contextmanager
    def changed(self, file: str, text: str) -> Iterator[None]:
        """Another text in place of a source, for a while."""
        path = self.root / file
        before = path.read_bytes()
        path.write_text(text, encoding="utf-8")
        try:
            yield
        finally:
            path.write_bytes(before)

    def run(self, tests: Sequence[str]) -> Outcome:
        """Run tests of the copy until the first fails; `said` is the end of what they printed."""
        trees = os.pathsep.join(str(self.root / name) for name in ("agent", "host", "protocol"))
        # No compiled files: two changes within a second would have the same time in their names.
        env = {**os.environ, "PYTHONPATH": trees, "PYTHONDONTWRITEBYTECODE": "1"}
        command = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", "--no-header", *tests]
        with tempfile.TemporaryFile("w+") as file:
            process = subprocess.Popen(
                command, cwd=self.root, env=env, stdin=subprocess.DEVNULL, stdout=file, stderr=subprocess.STDOUT,
                start_new_session=True,
            )  # fmt: skip
            try:
                code = process.wait(self.limit_s)
            except subprocess.TimeoutExpired:
                return Outcome.TIMED_OUT
            finally:
                # What the tests started may still run, whatever became of them.
                with suppress(ProcessLookupError):
                    os.killpg(process.pid, signal.SIGKILL)
                process.wait(20)
            file.seek(0)
            self.said = file.read()[-2000:]
        if code == _FAILED:
            return Outcome.KILLED
        return Outcome.SURVIVED if code == 0 else Outcome.BROKEN
