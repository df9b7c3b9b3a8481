"""The Debian packages the rig is built with, installed where we may, or asked for with the exact command."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

PACKAGES = ("gcc-avr", "avr-libc", "binutils-avr", "libsimavr-dev", "libelf-dev", "gcc", "libc6-dev", "make")
COMMANDS = ("avr-gcc", "avr-objcopy", "avr-size", "gcc", "make")
HEADERS = (Path("/usr/include/simavr/sim_avr.h"), Path("/usr/include/libelf.h"), Path("/usr/lib/avr/include/avr/io.h"))
REMEDY = f"apt-get update && apt-get install --no-install-recommends -y {' '.join(PACKAGES)}"
INSTALL_S = 600.0


class RigError(Exception):
    """The rig could not be had or does not answer; the message says what to do."""


def missing() -> list[str]:
    """Returns: the programs and headers that are not there."""
    return [name for name in COMMANDS if shutil.which(name) is None] + [
        str(path) for path in HEADERS if not path.exists()
    ]


def ensure() -> None:
    """Makes sure all packages are installed; does nothing when they are.

    Raises:
        RigError: something is missing and cannot be installed here; the message holds the command for root.
    """
    absent = missing()
    if not absent:
        return
    if os.geteuid() != 0 or shutil.which("apt-get") is None:
        raise RigError(f"the rig needs {', '.join(absent)}; as root on Debian: {REMEDY}")
    options = ["-q", "-o", "DPkg::Lock::Timeout=300"]
    _apt([*options, "update"])
    _apt([*options, "install", "--no-install-recommends", "-y", *PACKAGES])
    if absent := missing():
        raise RigError(f"{', '.join(absent)} still missing after: {REMEDY}")


def _apt(arguments: list[str]) -> None:
    environment = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    try:
        done = subprocess.run(
            ["apt-get", *arguments],
            capture_output=True,
            text=True,
            check=False,
            timeout=INSTALL_S,
            stdin=subprocess.DEVNULL,
            env=environment,
        )
    except subprocess.TimeoutExpired as error:
        raise RigError(f"apt-get took over {INSTALL_S:.0f} s; as root: {REMEDY}") from error
    if done.returncode:
        raise RigError(f"apt-get failed: {(done.stdout + done.stderr).strip()[-800:]}\nas root: {REMEDY}")


if __name__ == "__main__":
    try:
        ensure()
    except RigError as error:
        raise SystemExit(str(error)) from error
    print("all packages of the rig are installed")
