"""What tests build from sources: once for each state of them, outside the tree, whoever else builds at the time."""

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

BUILD_S = 300.0
SOURCES = {".c", ".h", ".ld", ".py", ".js", ".json", ""}

Change = tuple[str, str, str]


class BuildError(Exception):
    """Something could not be built; the message says what was said about it."""


def cache(name: str) -> Path:
    """Returns: where a family of products lives; `EDGEREPLY_CACHE` overrides the default."""
    chosen = os.environ.get("EDGEREPLY_CACHE")
    return (Path(chosen) if chosen else Path.home() / ".cache" / "edgereply") / name


def product(directory: Path, kind: str, sources: Sequence[Path], make: Callable[[Path], None], extra: str = "") -> Path:
    """Makes a product unless it is there.

    Args:
        directory: of the family.
        kind: what it is called.
        sources: files and folders it is made of; folders called ``build`` within them do not count.
        make: makes it in an empty folder.
        extra: what else decides about it.

    Returns:
        The finished folder.
    """
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


def make_in(folder: Path, into: Path) -> None:
    """Builds a folder that has a Makefile, with its products elsewhere."""
    run(["make", "-s", f"BUILD={into}"], folder)


def make_changed(folders: Sequence[Path], changes: Sequence[Change], into: Path) -> None:
    """Builds copies of folders that lie beside each other with text replaced, to show that a test sees a fault.

    Args:
        folders: the first one has the Makefile.
        changes: name of a source file, text that must be there, text to put in its place.
        into: where copies and products go.
    """
    for folder in folders:
        shutil.copytree(folder, into / folder.name, ignore=shutil.ignore_patterns("build"))
    for name, before, after in changes:
        (path,) = (found for folder in folders for found in (into / folder.name).rglob(name))
        text = path.read_text()
        if before not in text:
            raise BuildError(f"{name} holds no {before!r} to replace: bring the test up to date")
        path.write_text(text.replace(before, after))
    make_in(into / folders[0].name, into)


def firmware(directory: Path, folders: Sequence[Path], *changes: Change) -> Path:
    """Makes a firmware unless it is there: as it would be flashed, or with text replaced.

    Args:
        directory: of the family.
        folders, changes: as in `make_changed`.

    Returns:
        The folder of what its Makefile makes.
    """

    def make(into: Path) -> None:
        if changes:
            make_changed(folders, changes, into)
        else:
            make_in(folders[0], into)

    return product(directory, "firmware", folders, make, repr(changes))


def run(command: list[str], folder: Path) -> None:
    """Runs a command in a folder to its end.

    Raises:
        BuildError: it failed or took too long.
    """
    try:
        done = subprocess.run(
            command, cwd=folder, capture_output=True, text=True, check=False, timeout=BUILD_S, stdin=subprocess.DEVNULL
        )
    except subprocess.TimeoutExpired as error:
        raise BuildError(f"{command[0]} in {folder} took over {BUILD_S:.0f} s") from error
    if done.returncode:
        raise BuildError(f"{' '.join(command[:2])} in {folder} failed:\n{(done.stdout + done.stderr)[-4000:]}")


def _key(sources: Sequence[Path], extra: str) -> str:
    digest = hashlib.sha256(Path(__file__).read_bytes() + extra.encode())
    for top in sources:
        for path in sorted([top] if top.is_file() else top.rglob("*")):
            if path.is_file() and path.suffix in SOURCES and "build" not in path.parts[len(top.parts) :]:
                content = path.read_bytes()
                digest.update(f"{path.name} {len(content)}\0".encode() + content)
    return digest.hexdigest()[:16]


@contextlib.contextmanager
def _locked(directory: Path) -> Iterator[None]:
    with (directory / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield
