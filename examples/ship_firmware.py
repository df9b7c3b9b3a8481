"""Builds both pulse sources and puts their images into the host's package: `python examples/ship_firmware.py`.

The images depend on the sources and the compilers alone: no time, no path and no name of a computer goes into them.
With the compilers of Debian 12 a build anywhere gives the same bytes; a test builds them and compares the hashes.
"""

from __future__ import annotations

import hashlib
import re
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

HERE = Path(__file__).parent
IMAGES = HERE.parent / "host/edgereply/sources/flashing/images"
BUILD_S = 300.0


class Target(NamedTuple):
    """One chip: where its Makefile is, which file is flashed, and what compiles it."""

    folder: str
    product: str
    compiler: str


TARGETS = {
    "atmega328p": Target("pulse-source", "pulse-source.hex", "avr-gcc"),
    "rp2040": Target("pulse-source-rp2040", "pulse-source.uf2", "arm-none-eabi-gcc"),
}


def build(chip: str, into: Path) -> bytes:
    """Build a chip's firmware as its Makefile does by default.

    Args:
        chip: of `TARGETS`.
        into: an empty folder for what is built.

    Returns:
        The file that is flashed.
    """
    target = TARGETS[chip]
    subprocess.run(["make", "-s", f"BUILD={into}"], cwd=HERE / target.folder, check=True, timeout=BUILD_S)
    return (into / target.product).read_bytes()


def compiler(chip: str) -> str:
    """Returns: the first line of what the chip's compiler says about itself."""
    command = [TARGETS[chip].compiler, "--version"]
    return subprocess.run(command, capture_output=True, text=True, check=True, timeout=60).stdout.splitlines()[0]


def version(chip: str) -> str:
    """Returns: the firmware's version, as its Makefile says."""
    found = re.search(
        r"^FIRMWARE := (\S+)$", (HERE / TARGETS[chip].folder / "Makefile").read_text("utf-8"), re.MULTILINE
    )
    if found is None:
        raise ValueError(f"no FIRMWARE in the Makefile of {chip}")
    return found[1]


def main() -> int:
    """Builds, and writes the images with their manifest."""
    manifest = ["# Written by examples/ship_firmware.py.\n"]
    for chip, target in TARGETS.items():
        with tempfile.TemporaryDirectory() as folder:
            content = build(chip, Path(folder))
        name = f"{chip}{Path(target.product).suffix}"
        (IMAGES / name).write_bytes(content)
        digest = hashlib.sha256(content).hexdigest()
        rows = {"file": name, "version": version(chip), "sha256": digest, "compiler": compiler(chip)}
        manifest.append(f"\n[{chip}]\n" + "".join(f'{key} = "{value}"\n' for key, value in rows.items()))
        print(f"{name}: {len(content)} bytes, {digest}")
    (IMAGES / "images.toml").write_text("".join(manifest), "utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
