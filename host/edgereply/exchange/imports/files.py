"""Files of unknown making, read in blocks of whole lines, with limits on everything that could grow."""

from __future__ import annotations

import gzip
import os
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import BinaryIO, Final

from edgereply.errors import DataError
from edgereply.system.digest import sha256_of

MOST_BYTES: Final = 16 << 30
LONGEST_LINE: Final = 64 << 10
BLOCK_BYTES: Final = 8 << 20
_GZIP: Final = b"\x1f\x8b"

Progress = Callable[[int, int], None]


def no_progress(_done: int, _whole: int) -> None:
    """Nobody is told."""


class Told:
    """Progress over several files, or several passes over them."""

    def __init__(self, tell: Progress, whole: int) -> None:
        self._tell, self._whole, self._before = tell, whole, 0

    def __call__(self, read: int, _size: int) -> None:
        self._tell(self._before + read, self._whole)

    def next(self, size: int) -> None:
        """The next file, or pass, begins."""
        self._before += size


def check_file(path: Path) -> int:
    """Size of a recording in bytes.

    Raises:
        DataError: not a readable file, empty, or too large.
    """
    try:
        if not path.is_file():
            reason = "it is a directory" if path.is_dir() else "there is no such file" if not path.exists() else ""
            raise DataError(
                f"the recording cannot be read: {reason or 'it is no plain file'}",
                where=str(path),
                remedy="give the file that the instrument wrote",
            )
        size = path.stat().st_size
    except OSError as error:
        raise unreadable(path, error) from error
    if size == 0:
        raise DataError("the recording is empty", where=str(path), remedy="export it again")
    if size > MOST_BYTES:
        raise DataError(
            f"the recording has {size / 2**30:.1f} GiB, at most {MOST_BYTES >> 30} GiB are read",
            where=str(path),
            remedy="cut it into parts and give them all",
        )
    return size


def head_of(path: Path, count: int) -> bytes:
    """The first bytes of a file; of one packed with gzip, of what is in it.

    Raises:
        DataError: it cannot be read.
    """
    try:
        with path.open("rb") as raw, _plain(raw) as file:
            return file.read(count)
    except (OSError, EOFError, zlib.error) as error:
        raise unreadable(path, error) from error


def line_blocks(
    path: Path, tell: Progress = no_progress, block_bytes: int = BLOCK_BYTES
) -> Iterator[tuple[int, bytes]]:
    """A file in blocks of whole lines; gzip is unpacked.

    Args:
        path: of the file.
        tell: called with bytes read and bytes altogether, once a block.
        block_bytes: read at a time.

    Yields:
        Number of the first line (from 1), and the lines with their ends; the last may lack one.

    Raises:
        DataError: it cannot be read, a line is longer than 64 KiB, or it unpacks to more than 16 GiB.
    """
    line, rest, read = 1, b"", 0
    try:
        with path.open("rb") as raw, _plain(raw) as file:
            whole = os.fstat(raw.fileno()).st_size
            while data := file.read(block_bytes):
                read += len(data)
                if read > MOST_BYTES:
                    raise damaged(path, f"it unpacks to more than {MOST_BYTES >> 30} GiB")
                data = rest + data
                cut = data.rfind(b"\n") + 1
                block, rest = data[:cut], data[cut:]
                if len(rest) > LONGEST_LINE:
                    raise too_long(path, line + block.count(b"\n"))
                if block:
                    yield line, block
                    line += block.count(b"\n")
                tell(raw.tell(), whole)
    except (OSError, EOFError, zlib.error) as error:
        raise unreadable(path, error) from error
    if rest:
        yield line, rest


def too_long(path: Path, line: int) -> DataError:
    """What to say of a line that does not end."""
    return DataError(
        f"line {line} is longer than {LONGEST_LINE >> 10} KiB",
        where=f"{path}:{line}",
        remedy="is this a text file of the instrument's? A CSV has one sample a line",
    )


def damaged(path: Path, reason: str) -> DataError:
    """What to say of a file that is not what its first bytes promise."""
    return DataError(f"the recording cannot be read: {reason}", where=str(path), remedy="export it again, or as CSV")


def digest_of(path: Path) -> str:
    """SHA-256 of a file, hexadecimal.

    Raises:
        DataError: it cannot be read.
    """
    try:
        return sha256_of(path)
    except OSError as error:
        raise unreadable(path, error) from error


def is_packed(path: Path) -> bool:
    """Whether a file is packed with gzip.

    Raises:
        DataError: it cannot be read.
    """
    try:
        with path.open("rb") as raw:
            return raw.read(2) == _GZIP
    except OSError as error:
        raise unreadable(path, error) from error


def _plain(raw: BinaryIO) -> BinaryIO | gzip.GzipFile:
    """The file itself, or what is packed in it."""
    packed = raw.read(2) == _GZIP
    raw.seek(0)
    return gzip.GzipFile(fileobj=raw, mode="rb") if packed else raw


def unreadable(path: Path, error: Exception) -> DataError:
    """What to say of a file that the system will not give, or that was cut off while it was packed."""
    if not isinstance(error, OSError) or isinstance(error, gzip.BadGzipFile):
        return DataError(f"the gzip file is damaged: {error}", where=str(path), remedy="copy or export it again")
    return DataError(
        f"the recording cannot be read: {error.strerror}", where=str(path), remedy="check its name and permissions"
    )
