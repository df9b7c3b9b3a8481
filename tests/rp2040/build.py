"""Builds firmware and harness for the RP2040; compilers, Node.js and its package manager are installed where we may."""

from __future__ import annotations

import shutil
from pathlib import Path

from tests import products
from tests.products import BuildError, Change, cache, make_in, product, run
from tests.tools import need

HERE = Path(__file__).parent
EXAMPLES = HERE.parents[1] / "examples"
PULSE_SOURCE = (EXAMPLES / "pulse-source-rp2040", EXAMPLES / "pulse-source-common")
HARNESS = HERE / "harness"
INSTALL = ["ci", "--ignore-scripts", "--no-audit", "--no-fund"]


def firmware(*changes: Change) -> Path:
    """The firmware, as it would be flashed, or with a fault put in to show that a test would see it.

    Args:
        changes: as in `make_changed`.

    Returns:
        The folder that holds `pulse-source.bin`, `.elf` and `.uf2`.
    """
    need("arm-none-eabi-gcc", "gcc-arm-none-eabi", "binutils-arm-none-eabi")
    need("make", "make")
    return products.firmware(cache("rp2040"), PULSE_SOURCE, *changes)


def board() -> Path:
    """Returns: the bare-metal board's image, the flash from its beginning."""
    need("arm-none-eabi-gcc", "gcc-arm-none-eabi", "binutils-arm-none-eabi")
    need("make", "make")
    folder = EXAMPLES / "bare-metal-rp2040"
    sources = [folder, *PULSE_SOURCE]
    return product(cache("rp2040"), "board", sources, lambda into: make_in(folder, into)) / "board.bin"


def harness() -> Path:
    """Returns: the rig's program, with the packages of its lock file beside it."""
    npm = need("npm", "npm")

    def make(into: Path) -> None:
        for path in HARNESS.iterdir():
            if path.is_file():
                shutil.copy(path, into)
        try:
            run([str(npm), *INSTALL], into)
        except BuildError as error:
            raise BuildError(f"{error}\ntry yourself: cd {HARNESS} && npm {' '.join(INSTALL)}") from error

    return product(cache("rp2040"), "harness", [HARNESS], make) / "rig.js"
