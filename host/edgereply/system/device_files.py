"""Requests about open files that only POSIX systems know: to a device, and to have a file alone."""

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


def taken_alone(descriptor: int) -> bool:
    """Take a file for as long as it is open; False where another process has it. Not guarded on Windows."""
    if sys.platform != "win32":
        import fcntl

        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
    return True
