"""What software wires are made of and only POSIX systems have: asked for, never taken for granted."""

from __future__ import annotations

import os
import socket
import sys
from pathlib import Path

from edgereply.errors import SourceError

_REMEDY = "try it on Linux, or measure with a pulse source on a port: that takes no such parts"


def pseudo_terminal() -> tuple[int, int, str]:
    """A raw pseudo-terminal: descriptors of both ends, and the path that programs open like a serial port.

    Raises:
        SourceError: this system has none.
    """
    if sys.platform == "win32":
        raise _lacking("pseudo-terminals")
    try:
        import pty
        import tty

        near, far = pty.openpty()
        tty.setraw(far)
        os.set_blocking(near, False)
        return near, far, os.ttyname(far)
    except (ImportError, AttributeError) as error:
        raise _lacking("pseudo-terminals") from error


def local_socket() -> socket.socket:
    """A socket between processes of this computer, one that keeps packets apart where there is such a kind.

    Raises:
        SourceError: this system has neither packets nor streams between its own processes.
    """
    if sys.platform != "win32":
        for kind in ("SOCK_SEQPACKET", "SOCK_STREAM"):
            try:
                return socket.socket(socket.AF_UNIX, getattr(socket, kind))
            except (AttributeError, OSError):
                continue
    raise _lacking("sockets between its own processes")


def group_of(path: str, otherwise: str) -> str:
    """Name of the group that owns a file; another word where nobody can say."""
    if sys.platform == "win32":
        return otherwise
    try:
        return Path(path).group()
    except (OSError, KeyError, ImportError, NotImplementedError):
        return otherwise


def _lacking(what: str) -> SourceError:
    return SourceError(f"software wires need {what}, which this system does not have", "virtual source", _REMEDY)
