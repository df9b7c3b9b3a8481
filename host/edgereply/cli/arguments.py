"""What a command is about: a board of the bench file or a host, and directories of runs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from edgereply.errors import SettingError

if TYPE_CHECKING:
    from edgereply.config.settings import Board

_MOST = 3


@dataclass(frozen=True, slots=True)
class Target:
    """A board to talk to."""

    name: str
    settings: Board


def ssh_target(host: str, ssh_config: str, bench: Path, board: str) -> Target:
    """A board reached over ssh.

    Raises:
        SettingError: neither a host nor a bench file with such a board, or a board that is not on ssh.
    """
    target = any_target(host, ssh_config, bench, board)
    if target.settings.link != "ssh":
        raise SettingError(f"the board {target.name} is not reached over ssh", where=str(bench), remedy="name a host")
    return target


def any_target(host: str, ssh_config: str, bench: Path, board: str) -> Target:
    """A board over ssh or on this computer.

    Raises:
        SettingError: neither a usable host nor a bench file with such a board.
    """
    from edgereply.config.bench_file import load_bench
    from edgereply.config.settings import Board

    if not host:
        return Target(*load_bench(bench).pick(board))
    if host.startswith("-") or ssh_config.startswith("-"):
        raise SettingError(f"{host!r} is not a host name", where="HOST", remedy="give what you would type after ssh")
    return Target(host, Board(link="ssh", host=host, ssh_config=ssh_config, responder="external"))


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
