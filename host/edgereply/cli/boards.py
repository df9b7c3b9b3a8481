"""Which board a command is about: a host on the command line or a board of the bench file."""

from dataclasses import dataclass
from pathlib import Path

from edgereply.errors import SettingError
from edgereply.settings import Board, load_bench


@dataclass(frozen=True, slots=True)
class Target:
    """A board to talk to."""

    name: str
    host: str
    python: str
    settings: Board


def ssh_target(host: str, bench: Path, board: str) -> Target:
    """A board reached over ssh.

    Raises:
        SettingError: neither a host nor a bench file with such a board, or a board that is not on ssh.
    """
    target = any_target(host, bench, board)
    if target.settings.link != "ssh":
        raise SettingError(f"the board {target.name} is not reached over ssh", where=str(bench), remedy="name a host")
    return target


def any_target(host: str, bench: Path, board: str) -> Target:
    """A board over ssh or on this computer.

    Raises:
        SettingError: neither a host nor a bench file with such a board.
    """
    if host:
        settings = Board(link="ssh", host=host, responder="external")
        return Target(host, host, "", settings)
    name, settings = load_bench(bench).pick(board)
    return Target(name, settings.host, settings.python, settings)
