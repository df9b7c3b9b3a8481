"""Runs straight from bundles: checked as `bundle --verify` does, under the names people gave."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from edgereply.errors import DataError
from edgereply.exchange.bundle.check import verify


@dataclass(frozen=True, slots=True)
class Opened:
    """What was given, ready to be read.

    Attributes:
        paths: run and series directories, those of bundles unpacked in place of them.
        places: by directory that holds an unpacked bundle: what was given.
    """

    paths: tuple[Path, ...]
    places: dict[str, str]

    def named(self, text: str) -> str:
        """A text with the bundle in place of where it was unpacked: "night.zip/gate-2"."""
        for place, given in self.places.items():
            text = text.replace(place, given)
        return text


@contextmanager
def opened(paths: Sequence[Path], say: Callable[[str], None]) -> Iterator[Opened]:
    """Runs, series and bundles as runs and series.

    Args:
        paths: run or series directories, or bundles, in any order.
        say: one line on what is being done.

    Yields:
        What to read; what was unpacked goes when the context ends.

    Raises:
        DataError: a bundle is none, is damaged, or does not match its own raw stamps.
        StoreError: no room to unpack.
    """
    if not any(path.is_file() for path in paths):
        yield Opened(tuple(paths), {})
        return
    with tempfile.TemporaryDirectory(prefix="edgereply-") as name:
        found: list[Path] = []
        places: dict[str, str] = {}
        for number, path in enumerate(paths):
            if not path.is_file():
                found.append(path)
                continue
            say(f"checking {path}")
            inside = _checked(path, Path(name) / str(number), say)
            # The directory is called like the bundle, since a series is named by its directory.
            kept = inside.rename(inside.with_name(path.stem or "bundle"))
            places[str(kept)] = str(path)
            runs = sorted(run.parent for run in kept.glob("*/run.json"))
            found += [kept] if (kept / "series.json").is_file() else runs
        yield Opened(tuple(found), places)


def _checked(archive: Path, place: Path, say: Callable[[str], None]) -> Path:
    """Unpack and check; the directory of its runs."""
    place.mkdir(mode=0o700)
    check = verify(archive, place, say)
    if not check.matches:
        wrong = [*check.wrong, *(f"{run.run}: {text}" for run in check.runs for text in run.differences)]
        raise DataError(
            f"the bundle is not what it says: {wrong[0] if wrong else 'it holds no run'}", where=str(archive),
            remedy=f"edgereply bundle --verify {archive} tells all; get it again from where it came",
        )  # fmt: skip
    return place / "runs"
