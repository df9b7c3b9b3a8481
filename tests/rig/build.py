"""Builds firmware and harness of the rig."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from tests.products import Change, cache, make_changed, make_in, product, run
from tests.rig.packages import ensure

HERE = Path(__file__).parent
EXAMPLES = HERE.parents[1] / "examples"
PULSE_SOURCE = (EXAMPLES / "pulse-source", EXAMPLES / "pulse-source-common")
SIMULATOR_HEADERS = "/usr/include/simavr"


def harness() -> Path:
    """Returns: the rig's program, linked to the simulator's library."""
    sources = sorted((HERE / "harness").glob("*.c"))
    flags = ["-std=gnu11", "-O2", "-Wall", "-Wextra", "-Werror", "-isystem", SIMULATOR_HEADERS]

    def make(into: Path) -> None:
        run(["gcc", *flags, "-o", str(into / "rig"), *map(str, sources), "-lsimavr", "-lelf"], HERE)

    return _product("harness", [HERE / "harness"], make) / "rig"


def pulse_source() -> Path:
    """Returns: the reference firmware, as it would be flashed."""
    return _product("pulse-source", PULSE_SOURCE, lambda into: make_in(PULSE_SOURCE[0], into)) / "pulse-source.elf"


def board(name: str) -> Path:
    """Returns: a bare-metal board's firmware, `direct` or `lookup`."""
    folder = EXAMPLES / "bare-metal"
    return _product(folder.name, [folder], lambda into: make_in(folder, into)) / f"{name}.elf"


def probe(name: str) -> Path:
    """Returns: the firmware of `probes/NAME.c`, which looks at one of the simulator's faults."""
    source = HERE / "probes" / f"{name}.c"
    flags = ["-mmcu=atmega328p", "-DF_CPU=16000000UL", "-std=gnu99", "-Os", "-Wall", "-Wextra", "-Werror"]

    def make(into: Path) -> None:
        run(["avr-gcc", *flags, "-o", str(into / "probe.elf"), str(source)], HERE)

    return _product(f"probe-{name}", [source], make) / "probe.elf"


def changed_source(*changes: Change) -> Path:
    """The reference firmware with another start value, or with a fault put in to show that a test would see it.

    Args:
        changes: as in `make_changed`.

    Returns: the changed firmware.
    """

    def make(into: Path) -> None:
        make_changed(PULSE_SOURCE, changes, into)

    return _product("changed", PULSE_SOURCE, make, extra=repr(changes)) / "pulse-source.elf"


def _product(kind: str, sources: Sequence[Path], make: Callable[[Path], None], extra: str = "") -> Path:
    ensure()
    return product(cache("rig"), kind, sources, make, extra)
