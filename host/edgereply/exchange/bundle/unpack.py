"""A bundle of unknown origin unpacked: names, kinds, number and size of its files are checked before any of them."""

import stat
import struct
import zipfile
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from edgereply.errors import DataError, StoreError
from edgereply.exchange.bundle.manifest import ALLOWED, MANIFEST

_END = struct.Struct("<4s4H2LH")
_LOCATOR_BYTES, _LOCAL_HEADER_BYTES = 20, 30
_PIECE = 1 << 20
_ENCRYPTED = 0x1


@dataclass(frozen=True, slots=True)
class Limits:
    """The most that is accepted: files, bytes of one and of all, bytes a packed byte may become, directory bytes."""

    files: int = 50_000
    file_bytes: int = 1 << 30
    total_bytes: int = 8 << 30
    ratio: int = 200
    small_bytes: int = 1 << 20
    directory_bytes: int = 32 << 20


LIMITS = Limits()


def unpack(archive: Path, directory: Path, limits: Limits = LIMITS) -> list[str]:
    """Unpack into an empty directory.

    Args:
        archive: a bundle, not trusted.
        directory: an empty directory that nobody else can write to.
        limits: what is accepted.

    Returns:
        Names of the files, sorted.

    Raises:
        DataError: not a bundle, damaged, or made to do harm; what was unpacked until then may be there.
        StoreError: it cannot be written.
    """
    try:
        with archive.open("rb") as file:
            _check_end(file, limits)
            with zipfile.ZipFile(file) as opened:
                members = opened.infolist()
                _check_members(members, file.seek(0, 2), limits)
                for member in members:
                    _extract(opened, member, directory / member.filename)
    except DataError as error:
        raise DataError(error.message, where=str(archive), remedy="get the bundle again from where it came") from error
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, ValueError) as error:
        raise DataError(
            f"the archive is damaged: {str(error)[:200]}",
            where=str(archive),
            remedy="get the bundle again from where it came",
        ) from error
    except OSError as error:
        if error.filename == str(archive) or error.filename is None:
            raise DataError(
                f"cannot be read: {error.strerror}", where=str(archive), remedy="give the file of a bundle"
            ) from error
        raise StoreError(
            f"cannot be unpacked: {error.strerror}", where=str(directory), remedy="free space, or set TMPDIR"
        ) from error
    return sorted(member.filename for member in members)


def _check_end(file: BinaryIO, limits: Limits) -> None:
    """Look at the end record before anything else is read: its directory may be larger than memory."""
    size = file.seek(0, 2)
    if size < _END.size:
        raise DataError("not a bundle: too short for an archive")
    start = max(0, size - _END.size - _LOCATOR_BYTES)
    file.seek(start)
    tail = file.read()
    signature, *_, directory_bytes, _offset, comment = _END.unpack(tail[-_END.size :])
    if signature != b"PK\5\6" or comment:
        raise DataError("not a bundle: it does not end like an archive of this program")
    if tail[: -_END.size][-_LOCATOR_BYTES:].startswith(b"PK\6\7"):
        raise DataError("not a bundle: an archive of more than 4 GiB")
    if directory_bytes > limits.directory_bytes:
        raise DataError("its list of files is too long")


def _check_members(members: list[zipfile.ZipInfo], size: int, limits: Limits) -> None:
    if len(members) > limits.files:
        raise DataError(f"it has more than {limits.files:,} files")
    if sum(member.file_size for member in members) > limits.total_bytes:
        raise DataError(f"it would become larger than {limits.total_bytes >> 20:,} MiB")
    seen: set[str] = set()
    for member in members:
        _check_member(member, limits)
        if member.filename.lower() in seen:
            raise DataError(f"a name comes twice in it: {member.filename!r}")
        seen.add(member.filename.lower())
    if MANIFEST not in {member.filename for member in members}:
        raise DataError(f"not a bundle: no {MANIFEST}")
    end = 0
    for member in sorted(members, key=lambda one: one.header_offset):
        if member.header_offset < end:
            raise DataError("files in it overlap")
        end = member.header_offset + _LOCAL_HEADER_BYTES + member.compress_size
    if end > size:
        raise DataError("a file in it is cut off")


def _check_member(member: zipfile.ZipInfo, limits: Limits) -> None:
    name = member.filename
    if not ALLOWED.fullmatch(name) or name != member.orig_filename:
        raise DataError(f"a file in it has a name that no bundle has: {name[:80]!r}")
    if member.flag_bits & _ENCRYPTED or member.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        raise DataError(f"it is packed in a way that no bundle is: {name!r}")
    if stat.S_IFMT(member.external_attr >> 16) not in (0, stat.S_IFREG):
        raise DataError(f"a link or a device, not a file: {name!r}")
    if member.file_size > limits.file_bytes:
        raise DataError(f"a file in it is too large: {name!r}")
    if member.file_size > max(limits.small_bytes, limits.ratio * member.compress_size):
        raise DataError(f"a file in it grows more than {limits.ratio} times: {name!r}")


def _extract(archive: zipfile.ZipFile, member: zipfile.ZipInfo, target: Path) -> None:
    target.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    left = member.file_size
    with archive.open(member) as source, target.open("xb") as file:
        # The reader gives no more than the size it was told, and then checks the checksum.
        while piece := source.read(_PIECE):
            left -= len(piece)
            file.write(piece)
    if left:
        raise DataError(f"a file in it is shorter than it says: {member.filename!r}")
