"""Builds firmware and harness, once for each state of their sources, outside the tree."""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import os
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from tests.rig.packages import RigError, ensure

HERE = Path(__file__).parent
EXAMPLES = HERE.parents[1] / "examples"
SHARED = EXAMPLES / "pulse-source-common"
SIMULATOR_HEADERS = "/usr/include/simavr"
BUILD_S = 300.0


def cache() -> Path:
    """Returns: where built products live; `EDGEREPLY_CACHE` overrides the default."""
    chosen = os.environ.get("EDGEREPLY_CACHE")
    return (Path(chosen) if chosen else Path.home() / ".cache" / "edgereply") / "rig"


def harness() -> Path:
    """Returns: the rig's program, linked to the simulator's library."""
    sources = sorted((HERE / "harness").glob("*.c"))
    flags = ["-std=gnu11", "-O2", "-Wall", "-Wextra", "-Werror", "-isystem", SIMULATOR_HEADERS]

    def make(into: Path) -> None:
        _run(["gcc", *flags, "-o", str(into / "rig"), *map(str, sources), "-lsimavr", "-lelf"], HERE)

    return _product("harness", [HERE / "harness"], make) / "rig"


def pulse_source() -> Path:
    """Returns: the reference firmware, as it would be flashed."""
    folder = EXAMPLES / "pulse-source"
    return _product(folder.name, [folder, SHARED], lambda into: _make(folder, into)) / "pulse-source.elf"


def board(name: str) -> Path:
    """Returns: a bare-metal board's firmware, `direct` or `lookup`."""
    folder = EXAMPLES / "bare-metal"
    return _product(folder.name, [folder], lambda into: _make(folder, into)) / f"{name}.elf"


def probe(name: str) -> Path:
    """Returns: the firmware of `probes/NAME.c`, which looks at one of the simulator's faults."""
    source = HERE / "probes" / f"{name}.c"
    flags = ["-mmcu=atmega328p", "-DF_CPU=16000000UL", "-std=gnu99", "-Os", "-Wall", "-Wextra", "-Werror"]

    def make(into: Path) -> None:
        _run(["avr-gcc", *flags, "-o", str(into / "probe.elf"), str(source)], HERE)

    return _product(f"probe-{name}", [source], make) / "probe.elf"


def changed_source(*changes: tuple[str, str, str]) -> Path:
    """The reference firmware with another start value, or with a fault put in to show that a test would see it.

    Args:
        changes: name of a source file, text that must be there, text to put in its place.

    Returns: the changed firmware.
    """
    sources = EXAMPLES / "pulse-source"

    def make(into: Path) -> None:
        for folder in (sources, SHARED):
            shutil.copytree(folder, into / folder.name, ignore=shutil.ignore_patterns("build"))
        for name, before, after in changes:
            (path,) = (found for folder in (sources, SHARED) for found in (into / folder.name).rglob(name))
            text = path.read_text()
            if before not in text:
                raise RigError(f"{name} holds no {before!r} to replace: bring the test up to date")
            path.write_text(text.replace(before, after))
        _make(into / sources.name, into)

    return _product("changed", [sources, SHARED], make, extra=repr(changes)) / "pulse-source.elf"


def _make(folder: Path, into: Path) -> None:
    _run(["make", "-s", f"BUILD={into}"], folder)


def _product(kind: str, sources: Sequence[Path], make: Callable[[Path], None], extra: str = "") -> Path:
    ensure()
    directory = cache()
    directory.mkdir(parents=True, exist_ok=True, mode=0o700)
    finished = directory / f"{kind}-{_key(sources, extra)}"
    with _locked(directory):
        if not finished.is_dir():
            scratch = Path(tempfile.mkdtemp(prefix="making-", dir=directory))
            try:
                make(scratch)
                scratch.rename(finished)
            finally:
                shutil.rmtree(scratch, ignore_errors=True)
    return finished


def _key(sources: Sequence[Path], extra: str) -> str:
    digest = hashlib.sha256(Path(__file__).read_bytes() + extra.encode())
    for top in sources:
        for path in sorted([top] if top.is_file() else top.rglob("*")):
            if path.is_file() and path.suffix in {".c", ".h", ""} and "build" not in path.parts[len(top.parts) :]:
                content = path.read_bytes()
                digest.update(f"{path.name} {len(content)}\0".encode() + content)
    return digest.hexdigest()[:16]


@contextlib.contextmanager
def _locked(directory: Path) -> Iterator[None]:
    with (directory / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def _run(command: list[str], folder: Path) -> None:
    try:
        done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False, timeout=BUILD_S)
    except subprocess.TimeoutExpired as error:
        raise RigError(f"{command[0]} in {folder} took over {BUILD_S:.0f} s") from error
    if done.returncode:
        raise RigError(f"{' '.join(command[:2])} in {folder} failed:\n{(done.stdout + done.stderr)[-4000:]}")
