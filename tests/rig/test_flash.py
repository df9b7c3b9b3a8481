"""The firmware is put onto a simulated chip by a stock serial boot loader, from end to end; whatever breaks it off."""

from __future__ import annotations

import contextlib
import signal
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path

import pytest

from edgereply.errors import SourceError
from edgereply.sources.flashing import boot_loader, firmware, flash
from edgereply.sources.flashing.flash import Way, find
from edgereply.sources.reference import ReferenceSource
from edgereply.sources.serial_port import SerialPort
from tests.integration.commands import Workplace, explained
from tests.rig import build
from tests.rig.any_rig import AnyRig
from tests.rig.rig import BootLoader, Rig

pytestmark = pytest.mark.rig

# An invented program whose first page jumps to its second one; that raises the stimulus line for good.
DRIVES_THE_PIN = bytes.fromhex("3fc0").ljust(128, b"\xff") + bytes.fromhex("219a299affcf").ljust(128 * 20, b"\xff")
PAGES = len(DRIVES_THE_PIN) // 128
GIVEN_UP_S = 1.5  # of the chip's time: a boot loader that hears nothing starts the program after one second


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Workplace]:
    place = Workplace(tmp_path)
    yield place
    place.nothing_left()


def rig(name: str = "328") -> Rig:
    return Rig(boot_loader=BootLoader(*build.boot_loader(name)))


def image(path: Path) -> firmware.Firmware:
    return firmware.Firmware("atmega328p", "invented", path, b"", DRIVES_THE_PIN)


def pin_was_driven(rig: AnyRig) -> bool:
    """Whether the program on the chip, left to itself, raises the stimulus line."""
    rig.press_reset()  # type: ignore[attr-defined]
    over = rig.after(GIVEN_UP_S)
    while not over():
        pass
    return bool(rig.truth().cycles("stimulus", 1))


def test_a_chip_that_was_never_flashed_is_an_instrument_afterwards(place: Workplace) -> None:
    """Broken off by Ctrl-C at first; the same command again makes all of it good."""
    with rig() as powered:
        first = place.start("source", "flash", "--port", powered.port, "--yes")
        first.until(lambda: "50 % written" in first.err, "nothing was written")
        first.signal(signal.SIGINT)
        broken = first.end()
        assert broken.code == 130
        assert "broken off: nothing is damaged, and run the same command again" in broken.err
        done = place.run("source", "flash", "--port", powered.port, "--yes", "--json")
        assert done.code == 0, done.err
        # Opening resets the chip, and its boot loader waits first; in the rig that takes several seconds.
        with contextlib.closing(ReferenceSource(powered.port, patience_s=40.0)) as source:
            after = asdict(source.identity)
    shipped = firmware.shipped("atmega328p")
    found = done.document
    assert (found["chip"], found["bytes"], found["verified"]) == ("atmega328p", len(shipped.program), True)
    assert found["sha256"] == shipped.digest
    assert found["identity"]["model"] == "atmega328p"
    assert after == found["identity"]
    assert len(done.err.splitlines()) <= 12


def test_a_write_that_breaks_off_leaves_a_chip_that_drives_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By a reset in its middle and by an error; written whole, the same program does drive the pin."""
    monkeypatch.setattr(flash, "START_S", 0.5)
    with rig() as powered:

        def write(broken_at: int) -> None:
            def progress(what: str, done: int, _total: int) -> None:
                if (what, done) == ("written", broken_at):
                    powered.press_reset()

            flash.flash(find("", powered.port, ""), image(tmp_path), "", lambda _: None, progress)

        for page in (1, PAGES - 1):
            with pytest.raises(SourceError, match=r"the boot loader broke off at .*run the same command again"):
                write(page)
            assert not pin_was_driven(powered)
        with pytest.raises(SourceError, match="was written and verified, but does not answer"):
            write(PAGES)
        assert pin_was_driven(powered)


def test_a_boot_loader_of_another_chip_is_refused(place: Workplace) -> None:
    with rig("168") as powered:
        done = place.run("source", "flash", "--port", powered.port, "--yes")
    explained(done, 3, "signature is 1e9406: ATmega168, not the ATmega328P; nothing was written", "another port")


def test_a_port_in_use_and_a_port_that_is_not_there_are_said(place: Workplace) -> None:
    with rig() as powered, contextlib.closing(SerialPort(powered.port, 115_200)):
        done = place.run("source", "flash", "--port", powered.port, "--yes")
    explained(done, 3, "another program is using this serial port", "close it")
    explained(place.run("source", "flash", "--port", "/dev/ttyNONE", "--yes"), 3, "no such serial port", "/dev/ttyNONE")


def test_a_pulse_source_without_a_boot_loader_is_recognised(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(flash, "ENTER_S", 0.5)
    said: list[str] = []
    with (
        Rig() as powered,
        pytest.raises(SourceError, match=r"a pulse source answers there \(atmega328p, firmware 1\.0"),
    ):
        flash.flash(find("", powered.port, ""), image(tmp_path), "", said.append, lambda *_: None)
    assert len(said) == 1
    assert "press its reset button" in said[0]


def test_a_board_that_does_not_answer_is_said(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(flash, "ENTER_S", 0.3)
    monkeypatch.setattr(flash, "_THERE_S", 0.3)
    silent = build.probe("entry")
    with (
        Rig(source=silent) as powered,
        pytest.raises(SourceError, match="no boot loader answers at 115200 or 57600 Bd; nothing was written"),
    ):
        flash.flash(Way("atmega328p", powered.port, ""), image(tmp_path), "", lambda _: None, lambda *_: None)


def test_nothing_is_written_without_a_yes(place: Workplace) -> None:
    with rig() as powered:
        done = place.run("source", "flash", "--port", powered.port)
        resets = [edge for edge in powered.truth().edges if edge.signal == "reset"]
    explained(done, 2, "nobody is there to say yes", "add --yes")
    assert not resets, "the port was opened"


def test_the_stop_page_is_a_loop() -> None:
    """rjmp to itself is CFFFh (the AVR instruction set manual), and pages are written low byte first."""
    assert bytes.fromhex("ffcf") * 64 == boot_loader.STOP_PAGE
