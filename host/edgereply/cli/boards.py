"""Which board a command is about: a host on the command line or a board of the bench file."""

from dataclasses import dataclass
from pathlib import Path

from edgereply.bench_file import load_bench
from edgereply.errors import SettingError
from edgereply.settings import Board


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
    if not host:
        return Target(*load_bench(bench).pick(board))
    if host.startswith("-") or ssh_config.startswith("-"):
        raise SettingError(f"{host!r} is not a host name", where="HOST", remedy="give what you would type after ssh")
    return Target(host, Board(link="ssh", host=host, ssh_config=ssh_config, responder="external"))
