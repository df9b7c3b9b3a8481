"""Which ports and instruments this computer has, and whether a pulse source of ours is on one of them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from serial.tools import list_ports

from edgereply.errors import SourceError
from edgereply.sources.ports.visa import resources
from edgereply.sources.reference import ReferenceSource

# Long enough for a chip board that opening the port has reset to boot.
PATIENCE_S = 3.0


@dataclass(frozen=True, slots=True)
class FoundPort:
    """One port.

    Attributes:
        device: what a bench file calls it.
        words: what the system says is there; "" where it says nothing.
    """

    device: str
    words: str


def ports() -> list[FoundPort]:
    """Serial ports, those on USB first. Nothing is opened."""
    serial = sorted(list_ports.comports(), key=lambda info: (info.vid is None, info.device))
    return [FoundPort(info.device, _words(info.description, info.serial_number)) for info in serial]


def instruments() -> list[FoundPort]:
    """USB test-and-measurement devices, and the VISA resources that a VISA library finds; no serial ports among them.

    A library asks USB and the network, which takes it a few seconds; where there is none, or it fails, nothing is
    found by it.
    """
    usbtmc = sorted(Path("/dev").glob("usbtmc*"))
    return [
        *(FoundPort(str(path), "USB test-and-measurement device") for path in usbtmc),
        *(FoundPort(name, "VISA resource") for name in resources() if not name.upper().startswith("ASRL")),
    ]


def who_is_on(port: str, patience_s: float = PATIENCE_S) -> str:
    """Ask one port whether a reference source is there, by ``*IDN?``.

    Returns:
        What it is, or why not, in a few words.
    """
    try:
        source = ReferenceSource(port, patience_s=patience_s)
    except SourceError as error:
        return error.message
    try:
        identity = source.identity
        return f"reference source: {identity.model}, serial {identity.serial or 'none'}, firmware {identity.firmware}"
    finally:
        source.close()


def _words(description: str | None, serial: str | None) -> str:
    said = "" if description in (None, "n/a") else str(description)
    return f"{said}, serial {serial}" if serial else said
