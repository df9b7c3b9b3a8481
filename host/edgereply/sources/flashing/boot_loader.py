"""The usual serial boot loader of AVR boards: the protocol STK500v1, as far as writing and reading flash takes it.

Each request ends with 20h and is answered by 14h, what was asked for, 10h (application note AVR061; from memory, and
tried against a stock boot loader in a simulated chip).

The order of writing makes an interruption harmless. First the page with the reset vector becomes nothing but jumps to
themselves, then come all other pages, and the true first page comes last, when everything else has been read back. So
whatever runs on the chip after a broken-off write is a loop that touches no pin, and the boot loader is never written.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable

import serial

from edgereply.errors import SourceError
from edgereply.sources.serial_port import SerialPort
from edgereply.system.deadline import Deadline

BAUDS = (115_200, 57_600)  # the boot loaders of newer and of older boards
PAGE_BYTES = 128
ATMEGA328P = bytes.fromhex("1e950f")
# Signatures that a wrong board may have (their data sheets, from memory).
_NAMES = {
    "1e950f": "ATmega328P", "1e9514": "ATmega328", "1e9516": "ATmega328PB", "1e9406": "ATmega168",
    "1e940b": "ATmega168P", "1e930a": "ATmega88", "1e9307": "ATmega8", "1e9801": "ATmega2560", "1e9587": "ATmega32U4",
}  # fmt: skip

_IN_SYNC, _OK, _END = b"\x14", b"\x10", b"\x20"
_GET_SYNC, _LOAD_ADDRESS, _WRITE_PAGE, _READ_PAGE, _READ_SIGNATURE, _LEAVE = b"0", b"U", b"d", b"t", b"u", b"Q"
_ANSWER_S = 1.0
_SYNC_S = 0.25
_RESET_S = 0.05
_BOOT_S = 0.1
_TRIES_A_RESET = 4
STOP_PAGE = b"\xff\xcf" * (PAGE_BYTES // 2)  # rjmp to itself
AGAIN = "run the same command again: the boot loader is untouched, and until all is written the chip only waits"

Progress = Callable[[str, int, int], None]


class BootLoader:
    """A boot loader in conversation.

    Args:
        port: its serial port, opened at one of `BAUDS`.

    Raises:
        SourceError: from all methods, where it does not answer or answers something else.
    """

    def __init__(self, port: SerialPort) -> None:
        self._port = port

    def enter(self, deadline: Deadline, no_reset: Callable[[], None]) -> bool:
        """Reset the board by the control lines where there are some, and find the boot loader by its answer.

        Args:
            deadline: of the attempt.
            no_reset: called when the port has no control lines, before waiting for someone to press the button.

        Returns:
            Whether it answers.
        """
        while not deadline.expired():
            for baud in BAUDS:
                self._port.device.baudrate = baud
                if not self._reset():
                    no_reset()
                for _ in range(_TRIES_A_RESET):
                    self._port.drain(0.0, Deadline(0.0))
                    self._port.send(_GET_SYNC + _END)
                    if self._synchronised(Deadline(_SYNC_S)):
                        # What was sent into the reset may still be answered.
                        self._port.drain(_BOOT_S, Deadline(_ANSWER_S))
                        return True
        return False

    def signature(self) -> bytes:
        """Returns: the three bytes that name the chip."""
        return self._ask(_READ_SIGNATURE, 3, "its chip's signature")

    def expect_chip(self) -> None:
        """Refuse any chip but the ATmega328P; nothing has been written yet.

        Raises:
            SourceError: names the chip, where it is known.
        """
        found = self.signature()
        if found != ATMEGA328P:
            name = _NAMES.get(found.hex(), "a chip unknown here")
            raise SourceError(
                f"the chip's signature is {found.hex()}: {name}, not the ATmega328P; nothing was written",
                self._port.name,
                "use a board with an ATmega328P, or name another port",
            )

    def write(self, program: bytes, progress: Progress) -> None:
        """Write a program and read all of it back.

        Args:
            program: the flash from address 0 on.
            progress: told what is done, how many pages of it, and of how many.

        Raises:
            SourceError: it broke off, or something reads back otherwise.
        """
        pages = [program[at : at + PAGE_BYTES].ljust(PAGE_BYTES, b"\xff") for at in range(0, len(program), PAGE_BYTES)]
        self._write_page(0, STOP_PAGE)
        self._check_page(0, STOP_PAGE)
        for number in range(1, len(pages)):
            self._write_page(number, pages[number])
            progress("written", number, len(pages))
        for number in range(1, len(pages)):
            self._check_page(number, pages[number])
            progress("read back", number, len(pages))
        self._write_page(0, pages[0])
        self._check_page(0, pages[0])
        progress("read back", len(pages), len(pages))

    def leave(self) -> None:
        """Let the program start; a boot loader that does so without an answer is right, too."""
        with contextlib.suppress(SourceError):
            self._ask(_LEAVE, 0, "the end")

    def _write_page(self, number: int, page: bytes) -> None:
        self._load(number)
        self._ask(_WRITE_PAGE + len(page).to_bytes(2, "big") + b"F" + page, 0, f"page {number}")

    def _check_page(self, number: int, page: bytes) -> None:
        self._load(number)
        found = self._ask(_READ_PAGE + len(page).to_bytes(2, "big") + b"F", len(page), f"page {number}")
        if found != page:
            at = next(i for i in range(len(page)) if found[i] != page[i])
            raise SourceError(
                f"address {number * PAGE_BYTES + at:X}h reads back as {found[at]:02X}h, not {page[at]:02X}h",
                self._port.name,
                f"{AGAIN}; if this stays, the chip's flash is worn out",
            )

    def _load(self, number: int) -> None:
        words = number * PAGE_BYTES // 2
        self._ask(_LOAD_ADDRESS + words.to_bytes(2, "little"), 0, f"the address of page {number}")

    def _ask(self, request: bytes, length: int, what: str) -> bytes:
        self._port.send(request + _END)
        answer = b""
        deadline = Deadline(_ANSWER_S)
        while len(answer) < length + 2 and not deadline.expired():
            answer += self._port.receive(deadline)
        if len(answer) != length + 2 or answer[:1] != _IN_SYNC or answer[-1:] != _OK:
            said = f"said {answer[:8].hex(' ')!r}" if answer else "was silent"
            raise SourceError(f"the boot loader broke off at {what}: it {said}", self._port.name, AGAIN)
        return answer[1:-1]

    def _synchronised(self, deadline: Deadline) -> bool:
        heard = b""
        while not deadline.expired():
            heard += self._port.receive(deadline)
            if _IN_SYNC + _OK in heard:
                return True
        return False

    def _reset(self) -> bool:
        """Pulls the lines that reset a board through a capacitor; False where the port has none."""
        device = self._port.device
        try:
            device.dtr = device.rts = False
            time.sleep(_RESET_S)
            device.dtr = device.rts = True
        except (OSError, serial.SerialException):
            return False
        time.sleep(_RESET_S)
        return True
