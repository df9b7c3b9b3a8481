"""What was written is on the disk: files and the folders that name them, where the system can be asked for it."""

from __future__ import annotations

import os
from pathlib import Path
from typing import IO, Any


def sync_file(file: IO[Any]) -> None:
    """Wait until the contents of an open file, flushed, are on the disk.

    Raises:
        OSError: they cannot be written.
    """
    file.flush()
    os.fsync(file.fileno())


def sync_folder(path: Path) -> None:
    """Wait until the names in a folder are on the disk; nothing where a folder cannot be opened, as on Windows.

    Raises:
        OSError: they cannot be written.
    """
    if os.name == "nt":
        return
    folder = os.open(path, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
