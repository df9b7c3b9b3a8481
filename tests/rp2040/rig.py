"""The bench in software: the RP2040 firmware in an emulated chip, something that answers, a serial port to open."""

from __future__ import annotations

import contextlib
import os
import select
import subprocess
import tempfile
import tty
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from types import TracebackType

from tests.rig.truth import Truth, read_truth
from tests.rp2040.build import firmware, harness
from tests.tools import need

CYCLE_NS = 8
CYCLES_PER_TICK = 2
CLOCK_HZ = 125_000_000
TICK_HZ = 62_500_000
ANSWER_S = 60.0


class EmulatorError(Exception):
    """The emulator could not be started or does not answer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Responder:
    """A board under test by rule; times in cycles of 8 ns, each `..._every` counts stimuli, 0 is never."""

    delay_min: int = 125_000
    delay_max: int = 125_000
    width: int = 12_500
    jumper: int = 0  # 1: no board but a wire from stimulus to response, delayed by delay_min
    inverted: int = 0  # 1: answers the stimulus' falling edge
    miss_every: int = 0
    twice_every: int = 0
    bursts: int = 1  # answers to each stimulus
    gap: int = 12_500  # from an answer's fall to the next one's rise
    seed: int = 1

    def settings(self) -> list[str]:
        return ["on=1", *(f"{name}={value}" for name, value in asdict(self).items())]


class Rp2040Rig:
    """Runs for as long as the `with` block; not for use from several threads.

    Args:
        responder: answers by rule; nothing answers without it.
        folder: of the firmware; the reference firmware when None.
        without: what the harness adds to the emulator and shall leave out: synchroniser, skipping.

    Attributes:
        port: path of the pseudo-terminal that stands for the serial line.
    """

    def __init__(
        self, *, responder: Responder | None = None, folder: Path | None = None, without: Sequence[str] = ()
    ) -> None:
        self.port = ""
        image = (folder or firmware()) / "pulse-source.bin"
        self._scratch = tempfile.TemporaryDirectory(prefix="edgereply-rp2040-")
        self._log = Path(self._scratch.name) / "truth.tsv"
        self._arguments = [str(image), str(self._log)]
        self._options = [word for name in without for word in ("--without", name)]
        self._options += responder.settings() if responder else []
        self._stack = contextlib.ExitStack()

    def __enter__(self) -> Rp2040Rig:
        with contextlib.ExitStack() as stack:
            stack.callback(self._scratch.cleanup)
            program = [str(need("node", "nodejs")), str(harness())]
            master, slave = os.openpty()
            # The other end stays open here too: a closed one would make reads fail between two users.
            stack.callback(os.close, slave)
            tty.setraw(slave)
            os.set_blocking(master, False)
            heard, self._control = os.pipe()
            os.set_blocking(heard, False)
            self._errors = stack.enter_context((Path(self._scratch.name) / "errors.txt").open("w+"))
            self._process = subprocess.Popen(
                [*program, *self._arguments, str(master), *self._options],
                stdin=heard,
                stdout=subprocess.PIPE,
                stderr=self._errors,
                text=True,
                pass_fds=[master],
            )
            os.close(heard)
            os.close(master)
            stack.callback(self._end)
            self._answer("ready")
            self.port = os.ttyname(slave)
            self._stack = stack.pop_all()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stack.close()

    def _end(self) -> None:
        os.close(self._control)
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait(10)
        assert self._process.stdout is not None
        self._process.stdout.close()

    def truth(self) -> Truth:
        """Returns: everything that has happened on the wires up to now, in cycles of 8 ns."""
        now, overruns = map(int, self._ask("sync", "synced"))
        return read_truth(self._log, now, 0, 0, overruns)

    def after(self, seconds: float) -> Callable[[], bool]:
        """Returns: what tells whether so much emulated time has passed from now on."""
        end = self._now() + round(seconds * CLOCK_HZ)
        return lambda: self._now() > end

    def _now(self) -> int:
        return int(self._ask("sync", "synced")[0])

    def respond(self, responder: Responder) -> None:
        """Changes the rule while the emulation runs."""
        self._ask(f"responder {' '.join(responder.settings())}", "ok")

    def level(self, level: int) -> None:
        """Holds the response wire at a level."""
        self._ask(f"level {level}", "ok")

    def hang(self) -> None:
        """Lets the firmware's main loop get stuck for good; its interrupts go on."""
        self._ask("hang", "ok")

    def _ask(self, line: str, word: str) -> list[str]:
        try:
            os.write(self._control, f"{line}\n".encode())
        except BrokenPipeError as error:
            raise EmulatorError(f"the emulator has stopped: {self.said()}") from error
        return self._answer(word)

    def _answer(self, word: str) -> list[str]:
        assert self._process.stdout is not None
        # One line an answer, so a readable pipe holds a whole line.
        if not select.select([self._process.stdout], [], [], ANSWER_S)[0]:
            raise EmulatorError(f"the emulator did not answer within {ANSWER_S:.0f} s")
        first, *rest = self._process.stdout.readline().split() or [""]
        if first != word:
            raise EmulatorError(f"the emulator said {' '.join([first, *rest])!r}, not {word!r}: {self.said()}")
        return rest

    def said(self) -> str:
        """Returns: what the emulator complained about."""
        self._errors.seek(0)
        return self._errors.read()[-800:]
