"""Programs that some tests need: found, installed where we may, or asked for with the exact command."""

from __future__ import annotations

import contextlib
import fcntl
import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

LOCK = Path(tempfile.gettempdir()) / "edgereply-tests-apt.lock"
LOCK_S = 900.0
APT_S = 600.0
UPDATE_AGE_S = 86_400.0
SEARCH = os.pathsep.join((os.environ.get("PATH", os.defpath), "/usr/local/sbin", "/usr/sbin", "/sbin"))


def need(command: str, *apt_packages: str) -> Path:
    """Path of a program or file a test cannot do without; the test fails, never skips, where it cannot be had.

    Args:
        command: name of the program; a file, a header say, by its whole path.
        apt_packages: Debian packages that bring it; installed when we are root and apt-get is there. Tests that run
            at once wait for each other, and the package lists are fetched once a day.

    Returns:
        Path of the program or file.
    """
    if found := _find(command):
        return found
    remedy = f"apt-get update && apt-get install --no-install-recommends -y {' '.join(apt_packages)}"
    if not apt_packages or os.geteuid() != 0 or not _find("apt-get"):
        pytest.fail(f"{command} is missing; as root: {remedy}" if apt_packages else f"{command} is missing")
    with _locked() as lock:
        if found := _find(command):  # another test brought it while we waited
            return found
        if os.fstat(lock).st_size == 0 or time.time() - os.fstat(lock).st_mtime > UPDATE_AGE_S:
            _apt(remedy, "update")
            os.truncate(lock, 0)
            os.pwrite(lock, b"lists fetched\n", 0)
        _apt(remedy, "install", "--no-install-recommends", "-y", *apt_packages)
    found = _find(command)
    if found is None:
        pytest.fail(f"{command} is missing although {' '.join(apt_packages)} went in: other packages are needed")
    return found


def _find(command: str) -> Path | None:
    if Path(command).is_absolute():
        return Path(command) if Path(command).exists() else None
    found = shutil.which(command, path=SEARCH)
    return Path(found) if found else None


def _apt(remedy: str, *arguments: str) -> None:
    command = ["apt-get", "-q", "-o", "DPkg::Lock::Timeout=300", *arguments]
    try:
        subprocess.run(
            command,
            check=True,
            capture_output=True,
            text=True,
            timeout=APT_S,
            stdin=subprocess.DEVNULL,
            env={**os.environ, "DEBIAN_FRONTEND": "noninteractive"},
        )
    except subprocess.TimeoutExpired:
        pytest.fail(f"{' '.join(command)} took over {APT_S:.0f} s; as root: {remedy}")
    except subprocess.CalledProcessError as error:
        said = f"{error.stdout}{error.stderr}".strip()[-800:]
        pytest.fail(f"{' '.join(command)} failed with exit code {error.returncode}: {said}\nas root: {remedy}")


@contextlib.contextmanager
def _locked() -> Iterator[int]:
    # No link is followed: the folder is everybody's.
    lock = os.open(LOCK, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600)
    try:
        end = time.monotonic() + LOCK_S
        while True:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if time.monotonic() > end:
                    pytest.fail(f"another process has installed packages for over {LOCK_S:.0f} s; it holds {LOCK}")
                time.sleep(0.2)
        yield lock
    finally:
        os.close(lock)
