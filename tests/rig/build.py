"""Builds firmware and harness of the rig; compilers and libraries are installed where we may."""

from __future__ import annotations

from pathlib import Path

from tests import products
from tests.products import Change, cache, make_in, product, run
from tests.tools import need

HERE = Path(__file__).parent
EXAMPLES = HERE.parents[1] / "examples"
PULSE_SOURCE = (EXAMPLES / "pulse-source", EXAMPLES / "pulse-source-common")
# A stock serial boot loader for this chip and one for its smaller sibling: file and place in flash.
BOOT_LOADERS = Path("/usr/share/arduino/hardware/arduino/avr/bootloaders/optiboot")
BOOT_LOADER_FILES = {"328": ("optiboot_atmega328.hex", 0x7E00), "168": ("optiboot_atmega168.hex", 0x3E00)}
SIMULATOR_HEADERS = "/usr/include/simavr"


def harness() -> Path:
    """Returns: the rig's program, linked to the simulator's library."""
    need("gcc", "gcc", "libc6-dev")
    need(f"{SIMULATOR_HEADERS}/sim_avr.h", "libsimavr-dev")
    need("/usr/include/libelf.h", "libelf-dev")
    sources = sorted((HERE / "harness").glob("*.c"))
    flags = ["-std=gnu11", "-O2", "-Wall", "-Wextra", "-Werror", "-isystem", SIMULATOR_HEADERS]

    def make(into: Path) -> None:
        run(["gcc", *flags, "-o", str(into / "rig"), *map(str, sources), "-lsimavr", "-lelf"], HERE)

    return product(cache("rig"), "harness", [HERE / "harness"], make) / "rig"


def pulse_source(*changes: Change) -> Path:
    """The reference firmware, as it would be flashed, or with a fault put in to show that a test would see it.

    Args:
        changes: as in `make_changed`.

    Returns: the `.elf`.
    """
    _need_compiler()
    return products.firmware(cache("rig"), PULSE_SOURCE, *changes) / "pulse-source.elf"


def boot_loader(name: str = "328") -> tuple[Path, int]:
    """Returns: a boot loader's bytes, and the address at which they belong."""
    _need_compiler()
    file, address = BOOT_LOADER_FILES[name]
    source = need(str(BOOT_LOADERS / file), "arduino-core-avr")

    def make(into: Path) -> None:
        run(["avr-objcopy", "-I", "ihex", "-O", "binary", str(source), str(into / "boot.bin")], HERE)

    return product(cache("rig"), f"boot-loader-{name}", [source], make) / "boot.bin", address


def board(name: str) -> Path:
    """Returns: a bare-metal board's firmware, `direct` or `lookup`."""
    _need_compiler()
    folder = EXAMPLES / "bare-metal"
    return product(cache("rig"), folder.name, [folder], lambda into: make_in(folder, into)) / f"{name}.elf"


def probe(name: str) -> Path:
    """Returns: the firmware of `probes/NAME.c`, which looks at one of the simulator's faults."""
    _need_compiler()
    source = HERE / "probes" / f"{name}.c"
    flags = ["-mmcu=atmega328p", "-DF_CPU=16000000UL", "-std=gnu99", "-Os", "-Wall", "-Wextra", "-Werror"]

    def make(into: Path) -> None:
        run(["avr-gcc", *flags, "-o", str(into / "probe.elf"), str(source)], HERE)

    return product(cache("rig"), f"probe-{name}", [source], make) / "probe.elf"


def _need_compiler() -> None:
    need("avr-gcc", "gcc-avr", "binutils-avr")
    need("/usr/lib/avr/include/avr/io.h", "avr-libc")
    need("make", "make")
