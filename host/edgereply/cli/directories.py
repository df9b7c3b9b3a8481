"""Directories that are not what a command takes, but hold it."""

from collections.abc import Sequence
from pathlib import Path

from edgereply.errors import SettingError

_MOST = 3


def expect_run(path: Path) -> None:
    """Refuse a series where one run is wanted, and a directory that only holds runs; anything else is for its reader.

    Raises:
        SettingError: names what could be given.
    """
    if (path / "series.json").is_file() and not (path / "run.json").is_file():
        inside = _names(path, ("run.json",))
        raise SettingError(
            "this is a series, and one run is wanted",
            where=str(path),
            remedy=f"give one of its runs{': ' + inside if inside else ''}; 'edgereply report {path}' judges all of it",
        )
    expect_runs([path])


def expect_runs(paths: Sequence[Path]) -> None:
    """Refuse directories that are neither a run nor a series but hold some.

    Raises:
        SettingError: names what could be given.
    """
    for path in paths:
        if path.is_dir() and not any((path / name).is_file() for name in ("run.json", "series.json")):
            inside = _names(path, ("run.json", "series.json"))
            if inside:
                raise SettingError("this directory is no run, it holds some", where=str(path), remedy=f"give {inside}")


def _names(path: Path, marks: Sequence[str]) -> str:
    """The first few directories that have one of those files, a level below or, without such a level, two."""
    for pattern in ("*", "*/*"):
        found = sorted(place for place in path.glob(pattern) if any((place / mark).is_file() for mark in marks))
        if found:
            return ", ".join(map(str, found[:_MOST])) + (f" or another of {len(found)}" if len(found) > _MOST else "")
    return ""
