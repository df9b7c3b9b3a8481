"""What runs and series on the disk have in common: a place, a name, and what was unpacked for them."""

from __future__ import annotations

import weakref
from contextlib import ExitStack
from pathlib import Path
from typing import Self


class Saved:
    """Something that was measured and is on the disk.

    Attributes:
        path: its directory.
        name: what it was opened by.
    """

    def __init__(self, path: Path, name: str, kept: ExitStack | None) -> None:
        """Where it is.

        Args:
            path: its directory.
            name: what people call it; its path when "".
            kept: closed with it, such as a place where a bundle was unpacked.
        """
        self.path, self.name = path, name or str(path)
        self._close = weakref.finalize(self, kept.close) if kept is not None else None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Remove what was unpacked for it; what is in a directory of its own stays as it is."""
        if self._close is not None:
            self._close()
