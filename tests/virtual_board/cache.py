"""Where built products live, and how a product is named after everything that went into it."""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import os
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

HERE = Path(__file__).parent
GUEST = HERE / "guest"


def root() -> Path:
    """Returns: the cache directory, outside the source tree; `EDGEREPLY_CACHE` overrides the default."""
    chosen = os.environ.get("EDGEREPLY_CACHE")
    base = Path(chosen) if chosen else Path.home() / ".cache" / "edgereply"
    return base / "virtual-board"


def key(texts: Iterable[str], files: Iterable[Path]) -> str:
    """Hash of a product's inputs.

    Args:
        texts: versions, package lists and the like, in a fixed order.
        files: sources and scripts; content and name count, the folder does not.

    Returns: 16 hexadecimal digits.
    """
    digest = hashlib.sha256()
    for text in texts:
        digest.update(f"text {len(text)}\0{text}".encode())
    for path in sorted(files):
        content = path.read_bytes()
        digest.update(f"file {path.name} {len(content)}\0".encode() + content)
    return digest.hexdigest()[:16]


@contextlib.contextmanager
def locked() -> Iterator[Path]:
    """Holds the cache for one builder at a time; yields the cache directory."""
    directory = root()
    directory.mkdir(parents=True, exist_ok=True, mode=0o700)
    with (directory / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield directory


def product(name: str, make: Callable[[Path], None]) -> Path:
    """Gives a product directory, making it first when it is not there.

    Args:
        name: kind and key; other keys of the same kind are removed once this one is complete.
        make: fills an empty directory; it appears under its name only when `make` returns.

    Returns: the directory.
    """
    directory = root()
    finished = directory / name
    if finished.is_dir():
        return finished
    scratch = Path(tempfile.mkdtemp(prefix="making-", dir=directory))
    try:
        make(scratch)
        scratch.rename(finished)
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
    kind = name.rsplit("-", 1)[0]
    for other in directory.glob(f"{kind}-*"):
        if other != finished and other.name.rsplit("-", 1)[0] == kind:
            shutil.rmtree(other, ignore_errors=True)
    return finished
