"""Requests to device files, where the system has such a thing."""

from __future__ import annotations

import sys


def control(descriptor: int, request: int, argument: bytes = b"") -> bool:
    """Make a request (ioctl) of a device file.

    Args:
        descriptor: of the open file.
        request: its number.
        argument: what goes with it.

    Returns:
        Whether it was obeyed; False where the driver or the system does not know it.
    """
    if sys.platform == "win32":
        return False
    import fcntl

    try:
        fcntl.ioctl(descriptor, request, argument)
    except OSError:
        return False
    return True
