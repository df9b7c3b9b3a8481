"""The bench in software: source firmware on a simulated chip, something that answers, a serial port to open."""

from __future__ import annotations

import contextlib
import os
import tty
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from tests.rig import build
from tests.rig.any_rig import AnyRig, RigError, Rule


@dataclass(frozen=True, slots=True, kw_only=True)
class Responder(Rule):
    """A board under test by rule, in cycles of 62.5 ns."""

    delay_min: int = 16_000
    delay_max: int = 16_000
    width: int = 1_600
    gap: int = 1_600
    short_every: int = 0
    short_width: int = 16


@dataclass(frozen=True, slots=True)
class BootLoader:
    """A boot loader as it lies in flash, and from which address on."""

    image: Path
    address: int


class Rig(AnyRig):
    """The ATmega328P.

    Args:
        responder: answers by rule; without it and without a board nothing answers.
        board: name of a bare-metal board (`direct`, `lookup`) or the path of a firmware, wired stimulus to INT0
            and PB0 to the source's capture input, in lock-step with the source.
        source: firmware of the source; the reference firmware when None.
        second: a second pulse source with a crystal of its own, wired from its stimulus to the first one's capture
            input; it is one cycle behind after each so many of the first one's. Its log is "second", in its own cycles.
        boot_loader: stands in the chip and runs after each reset; opening the port resets the chip, as on boards whose
            serial line has a control line for it. Without a source the rest of the flash is erased.
        without: corrections of the simulator to leave out: flags, compare, entry, pin-time.

    Attributes:
        second_port: path of the second source's pseudo-terminal.
    """

    clock_hz = 16_000_000

    def __init__(
        self,
        *,
        responder: Rule | None = None,
        board: str | Path | None = None,
        source: Path | None = None,
        boot_loader: BootLoader | None = None,
        second: int = 0,
        without: Sequence[str] = (),
    ) -> None:
        if responder and board:
            raise RigError("either a responder or a board answers, not both")
        firmware = source or (Path("-") if boot_loader else build.pulse_source())
        super().__init__([build.harness()], firmware, responder=responder, without=without)
        if boot_loader:
            self._options += ["--boot-loader", str(boot_loader.image), f"{boot_loader.address:x}"]
        if board:
            self._options += ["--board", str(build.board(board) if isinstance(board, str) else board)]
        self._second = second
        self.second_port = ""

    def __enter__(self) -> Self:
        if not self._second:
            return super().__enter__()
        with contextlib.ExitStack() as stack:
            terminal, line = os.openpty()
            stack.callback(os.close, line)
            tty.setraw(line)
            os.set_blocking(terminal, False)
            self._options += ["--second", str(build.pulse_source()), str(terminal), str(self._second)]
            self._more_descriptors = [terminal]
            self.second_port = os.ttyname(line)
            try:
                super().__enter__()
            finally:
                os.close(terminal)
            self._stack.push(stack.pop_all())
        return self

    def press_reset(self) -> None:
        """Presses the chip's reset button."""
        self._ask("reset", "ok")
