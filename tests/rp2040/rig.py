"""The bench in software: the RP2040 firmware in an emulated chip, something that answers, a serial port to open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.rig.any_rig import AnyRig, Rule
from tests.rp2040.build import firmware, harness
from tests.tools import need

TICK_HZ = 62_500_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Responder(Rule):
    """A board under test by rule, in cycles of 8 ns."""

    delay_min: int = 125_000
    delay_max: int = 125_000
    width: int = 12_500
    gap: int = 12_500
    bursts: int = 1  # answers to each stimulus


class Rp2040Rig(AnyRig):
    """The RP2040.

    Args:
        responder: answers by rule; nothing answers without it.
        folder: of the firmware; the reference firmware when None.
        usb: the port is the chip's own USB at a host, not its UART.
        without: what the harness adds to the emulator and shall leave out: synchroniser, skipping.
    """

    clock_hz = 125_000_000
    cycles_per_tick = 2  # a state machine looks at its pin every second cycle

    def __init__(
        self, *, responder: Rule | None = None, folder: Path | None = None, usb: bool = False,
        without: Sequence[str] = (),
    ) -> None:  # fmt: skip
        image = (folder or firmware()) / "pulse-source.bin"
        super().__init__([need("node", "nodejs"), harness()], image, responder=responder, without=without)
        self._options += ["--usb"] if usb else []

    def uart(self, data: bytes = b"") -> bytes:
        """Says something on the UART, besides what goes over USB.

        Returns: what the UART has said since it was last asked.
        """
        return bytes.fromhex("".join(self._ask(f"uart {data.hex()}", "heard")))

    def host_hears(self, hears: bool) -> None:
        """Lets the USB host take what is sent to it, or not."""
        self._ask(f"usb {'hears' if hears else 'deaf'}", "ok")

    def request(self, packet: bytes) -> tuple[bytes | None, int]:
        """A control request of the USB host.

        Returns: the answer, None where it was refused; and how often the device has been enumerated.
        """
        answer, count = self._ask(f"usb request {packet.hex()}", "answer")
        data = None if answer == "refused" else b"" if answer == "empty" else bytes.fromhex(answer)
        return data, int(count)
