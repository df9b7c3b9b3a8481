"""`edgereply source flash`: the firmware that ships with this program onto an ATmega328P or RP2040."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from edgereply.cli.common import JsonOption, choices, put_json, say

if TYPE_CHECKING:
    from edgereply.sources.flashing.firmware import Firmware
    from edgereply.sources.flashing.flash import Way

CHIPS = ("atmega328p", "rp2040")
CHIP_NAMES = {"atmega328p": "ATmega328P", "rp2040": "RP2040"}

EXAMPLES = ("edgereply source flash", "edgereply source flash --chip rp2040 --yes")


def command(
    chip: Annotated[str, typer.Option(help="Not needed where only one board is there.", **choices(CHIPS))] = "",
    port: Annotated[
        str, typer.Option(help="Serial port of the board; of an RP2040, where it answers afterwards.", metavar="PORT")
    ] = "",
    drive: Annotated[str, typer.Option(help="Where an RP2040's boot drive is mounted.", metavar="DIRECTORY")] = "",
    image: Annotated[
        Path | None, typer.Option(help="An image of your own in place of the shipped one.", metavar="FILE")
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask before writing.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Put the pulse source's firmware onto a chip: find the board, write, read back, identify. No compiler needed."""
    from dataclasses import asdict

    from edgereply.cli.source.identify import tell_identity
    from edgereply.sources.flashing.firmware import own, shipped
    from edgereply.sources.flashing.flash import find, flash

    way = find(chip, port, drive)
    firmware = own(way.chip, image) if image else shipped(way.chip)
    _tell_plan(way, firmware)
    if not yes:
        _ask()
    try:
        identity = flash(way, firmware, port, say, _Steps())
    except KeyboardInterrupt:
        say(f"broken off: nothing is damaged, and {_back(way.chip)}")
        raise
    if as_json:
        document = asdict(identity) if identity else None
        # What went onto a boot drive cannot be read back once the board has restarted: its answer says it is whole.
        put_json({"chip": way.chip, "place": way.place, "firmware": firmware.version, "bytes": len(firmware.program),
                  "sha256": firmware.digest, "verified": identity is not None, "identity": document})  # fmt: skip
    if identity:
        tell_identity(identity)
    else:
        say("copied, and the drive has gone away, as it does when the board restarts")
        say("not verified: ask the board with 'edgereply source' once its port stands in the bench file")


def _tell_plan(way: "Way", firmware: "Firmware") -> None:
    what = f"pulse source {firmware.version} for the {CHIP_NAMES[way.chip]} ({len(firmware.program):,} bytes)"
    say(f"about to write {what} {way.words}")
    say(f"image {firmware.path.name}, SHA-256 {firmware.digest[:16]}…; the program that is on the chip now is replaced")
    say("take the bench's wires off the board first: what is on it now may drive its pins")


def _ask() -> None:
    """Goes on only after a yes.

    Raises:
        SettingError: nobody is there to say it, or it was no yes.
    """
    import sys

    from edgereply.errors import SettingError
    from edgereply.wording.screen import ask

    if not sys.stdin.isatty():
        raise SettingError("nobody is there to say yes", "--yes", "add --yes to write without being asked")
    if not ask("write it?"):
        raise SettingError("nothing was written", "write it?", "answer y to write")


def _back(chip: str) -> str:
    from edgereply.sources.flashing import boot_drive, boot_loader

    return boot_loader.AGAIN if chip == "atmega328p" else boot_drive.AGAIN


class _Steps:
    """Progress in halves of each step."""

    def __init__(self) -> None:
        self._said = ("", 0)

    def __call__(self, what: str, done: int, total: int) -> None:
        half = 2 * done // total
        if half and (what, half) != self._said:
            self._said = (what, half)
            say(f"{50 * half} % {what}")
