"""What a file is told by."""

import hashlib
from pathlib import Path


def sha256_of(path: Path) -> str:
    """SHA-256 of a file, hexadecimal; read in pieces.

    Raises:
        OSError: it cannot be read.
    """
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
