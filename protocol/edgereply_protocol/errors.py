"""What can go wrong on the link, and whose fault it is."""

from __future__ import annotations


class ProtocolError(Exception):
    """Base of every error of this package."""


class LocalError(ProtocolError):
    """We asked for something the protocol does not allow; nothing was sent."""


class RemoteError(ProtocolError):
    """The peer sent something the protocol does not allow; the connection is of no further use."""


class VersionMismatch(RemoteError):
    """The two ends share no protocol version, or one says something that only a later version has.

    Args:
        message: what does not fit.
        peer_is_older: the far end is the one to update; else it is this end.
    """

    def __init__(self, message: str, peer_is_older: bool) -> None:
        super().__init__(message)
        self.peer_is_older = peer_is_older
