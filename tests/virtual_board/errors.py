"""What can go wrong with the virtual board, by whose fault."""

from __future__ import annotations


class VirtualBoardError(Exception):
    """Base of every error this package raises on purpose."""


class PackagesMissingError(VirtualBoardError):
    """Packages of the distribution are missing and we may not install them.

    Attributes:
        command: what an administrator types to install them.
    """

    def __init__(self, missing: list[str], command: str) -> None:
        super().__init__(f"packages missing on this machine: {' '.join(missing)}; install them with: {command}")
        self.command = command


class BuildError(VirtualBoardError):
    """A build step failed; the message names the step and shows the end of its output."""


class BoardError(VirtualBoardError):
    """The running board did not do what was asked in time; the message shows the end of its console."""
