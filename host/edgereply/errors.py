"""The errors a person can meet on the host, by whose fault they are.

Every class has an exit code; the command line prints the parts and exits with it.
"""

from __future__ import annotations

from typing import Final

# What a command exits with: done; the measurement says no; bad input; trouble with board, link or source; Ctrl-C.
DONE: Final = 0
SAYS_NO: Final = 1
BAD_INPUT: Final = 2
TROUBLE: Final = 3
INTERRUPTED: Final = 130


class HostError(Exception):
    """Base of all errors the host raises on purpose.

    Args:
        message: what went wrong: one clause, lower case, no full stop, as it stands after "edgereply: ".
        where: the file, port, board or setting concerned; empty when there is none.
        remedy: what the reader can do about it, in the same style; empty when nothing is known.

    Attributes:
        code: the agent's code where a fault on the board is behind it.
    """

    exit_code = TROUBLE
    code = ""

    def __init__(self, message: str, where: str = "", remedy: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.where = where
        self.remedy = remedy

    def __str__(self) -> str:
        text = f"{self.where}: {self.message}" if self.where else self.message
        return f"{text}; {self.remedy}" if self.remedy else text


class SettingError(HostError):
    """A setting, option or bench file cannot be used: the caller's to correct."""

    exit_code = BAD_INPUT


class DataError(HostError):
    """A file to read is missing, damaged or not what it should be."""

    exit_code = BAD_INPUT


class StoreError(HostError):
    """Measured data cannot be written: the disk is full, gone or not ours to write to."""


BROKE_OFF = "the link to the board broke off"


class LinkError(HostError):
    """The way to the board failed: not reachable, refused, or broke off."""


class BoardError(HostError):
    """The board was reached and could not do what was asked."""


class SourceError(HostError):
    """The pulse source is missing, is something else, or stopped working."""
