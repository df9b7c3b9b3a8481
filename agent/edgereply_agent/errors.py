"""What can go wrong on the board, told so that somebody at the other end can mend it."""

from __future__ import annotations

import errno
from typing import Optional

from edgereply_protocol import Fault, Json

CODES = (
    "unknown-line", "busy-line", "no-permission", "no-chip", "no-route", "bad-setting", "lost-line", "responder-died",
    "no-memory", "internal",
)  # fmt: skip

GONE = frozenset((errno.ENODEV, errno.ENXIO, errno.EIO, errno.EPIPE, errno.ECONNRESET, errno.ENOTCONN, errno.EBADF))


class AgentError(Exception):
    """Base of every error of the agent.

    Args:
        code: one of `CODES`.
        what: what went wrong.
        where: the file, line, chip or setting concerned.
        remedy: what the user can do about it.
    """

    def __init__(self, code: str, what: str, where: str = "", remedy: str = "") -> None:
        super().__init__(f"{where}: {what}" if where else what)
        if code not in CODES:
            raise ValueError(f"unknown fault code {code!r}")
        self.code, self.what, self.where, self.remedy = code, what, where, remedy

    def fault(self, fatal: bool = False) -> Fault:
        """The message that tells the host."""
        return Fault(self.code, self.what, self.where, self.remedy, fatal)

    def as_json(self) -> Json:
        """The same as plain data, to cross a process boundary."""
        return {"code": self.code, "what": self.what, "where": self.where, "remedy": self.remedy}


class SettingError(AgentError):
    """The host asked for something that makes no sense or is out of range."""

    def __init__(self, what: str, where: str = "", remedy: str = "") -> None:
        super().__init__("bad-setting", what, where, remedy)


class RouteError(AgentError):
    """A route cannot reach a line."""


class LinkLost(Exception):
    """The host is gone or spoke nonsense; the session ends."""


def lost_line(error: Optional[OSError], where: str) -> RouteError:
    """A line that was there has gone away while in use."""
    return RouteError(
        "lost-line",
        f"the line is gone: {error.strerror or error}" if error else "the line is gone: end of file",
        where,
        "was the chip unplugged or its driver removed? plug it in, check with `edgereply inspect`, and run again",
    )
