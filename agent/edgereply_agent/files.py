"""Small files of the kernel, read without ever failing."""

from __future__ import annotations

import os
from typing import Optional


def text(path: str) -> Optional[str]:
    """Contents without surrounding blanks and zero bytes, None when it cannot be read."""
    try:
        with open(path, "rb") as file:
            return file.read().replace(b"\0", b" ").decode("utf-8", "replace").strip()
    except OSError:
        return None


def integer(path: str) -> Optional[int]:
    """Contents as a number, None when it is none."""
    try:
        return int(text(path) or "")
    except ValueError:
        return None


def names(path: str) -> list[str]:
    """Names in a directory, sorted; empty when there is none."""
    try:
        return sorted(os.listdir(path))
    except OSError:
        return []
