"""A new file that appears whole or not at all, and never in place of another."""

import contextlib
import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

from edgereply.errors import HostError, SettingError, StoreError
from edgereply.system.durability import sync_file


@contextlib.contextmanager
def new_file(path: Path) -> Iterator[Path]:
    """Give a place to write the file to; it gets its name when the block ends without an error.

    Yields:
        A path in a directory of its own beside the target, removed whatever happens.

    Raises:
        SettingError: something of that name is there, before or by then.
        StoreError: it cannot be written.
    """
    check_new(path)
    try:
        workplace = Path(tempfile.mkdtemp(prefix=f".{path.name[:100]}.", dir=path.parent))
        try:
            partial = workplace / "partial"
            yield partial
            with partial.open("rb+") as file:
                sync_file(file)
            _name(partial, path)
        finally:
            shutil.rmtree(workplace, ignore_errors=True)
    except HostError:
        raise
    except OSError as error:
        # A writing library may put words of its own where the system's reason should be.
        why = os.strerror(error.errno) if error.errno else str(error)
        raise StoreError(
            f"cannot be written: {why}", where=str(path), remedy="free space, or choose another place with --output"
        ) from error


def check_new(path: Path) -> None:
    """Fail early where a name is taken.

    Raises:
        SettingError: something of that name is there.
    """
    if os.path.lexists(path):
        raise _there_already(path)


def _name(partial: Path, path: Path) -> None:
    try:
        os.link(partial, path)
    except FileExistsError as error:
        raise _there_already(path) from error
    except OSError:
        # File systems without links: the check and the renaming are two steps there.
        if os.path.lexists(path):
            raise _there_already(path) from None
        partial.rename(path)


def _there_already(path: Path) -> SettingError:
    return SettingError(
        "there is a file of that name, and nothing is overwritten",
        where=str(path),
        remedy="name another with --output, or move that one away",
    )
