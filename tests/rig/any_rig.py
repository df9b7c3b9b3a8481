"""What all rigs share: a harness in a process of its own runs a firmware, logs its wires and obeys lines."""

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
from typing import ClassVar, Self

from tests.rig.truth import Truth, read_truth

ANSWER_S = 60.0  # real time; a harness hears what it is asked after each slice of its own time
END_S = 10.0


class RigError(Exception):
    """The rig could not be had or does not answer as it should; the message says what it did."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """How a board under test answers: times in cycles of the rig's clock; each `..._every` counts stimuli, 0: never."""

    delay_min: int
    delay_max: int
    width: int
    gap: int  # from an answer's fall to the next one's rise
    jumper: int = 0  # 1: no board but a wire from stimulus to response, delayed by delay_min
    inverted: int = 0  # 1: answers the stimulus' falling edge
    miss_every: int = 0
    twice_every: int = 0
    seed: int = 1

    def settings(self) -> list[str]:
        return ["on=1", *(f"{name}={value}" for name, value in asdict(self).items())]


class AnyRig:
    """Runs for as long as the `with` block; not for use from several threads.

    A rig of its own chip says how its harness is started: HARNESS FIRMWARE TRUTH TERMINAL-FD OPTIONS. The harness says
    "ready", then obeys sync, responder ..., level 0|1 and hang, each with one line, and ends with its standard input.

    Attributes:
        clock_hz: cycles a second of the harness' log.
        cycles_per_tick: of the source's ticks.
        port: path of the pseudo-terminal that stands for the serial line.
    """

    clock_hz: ClassVar[int]
    cycles_per_tick: ClassVar[int] = 1

    def __init__(
        self, harness: Sequence[Path], firmware: Path, *, responder: Rule | None, without: Sequence[str]
    ) -> None:
        self.port = ""
        self._command = [*map(str, harness), str(firmware)]
        self._options = [word for name in without for word in ("--without", name)]
        self._options += responder.settings() if responder else []
        self._more_descriptors: list[int] = []
        self._stack = contextlib.ExitStack()

    def __enter__(self) -> Self:
        with contextlib.ExitStack() as stack:
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="edgereply-rig-")))
            self._log = folder / "truth.tsv"
            self._errors = stack.enter_context((folder / "errors.txt").open("w+"))
            terminal, line = os.openpty()
            # The other end stays open here: a closed one would make the harness' reads fail between two users.
            stack.callback(os.close, line)
            tty.setraw(line)
            heard, self._control = os.pipe()
            for end in (terminal, heard):
                os.set_blocking(end, False)
            self._process = subprocess.Popen(
                [*self._command, str(self._log), str(terminal), *self._options],
                stdin=heard,
                stdout=subprocess.PIPE,
                stderr=self._errors,
                text=True,
                pass_fds=[terminal, *self._more_descriptors],
            )
            os.close(heard)
            os.close(terminal)
            stack.callback(self._end)
            self._answer("ready")
            self.port = os.ttyname(line)
            self._stack = stack.pop_all()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stack.close()

    def _end(self) -> None:
        os.close(self._control)
        try:
            self._process.wait(END_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait(END_S)
        assert self._process.stdout is not None
        self._process.stdout.close()

    def truth(self) -> Truth:
        """Returns: everything that has happened on the wires up to now."""
        return read_truth(self._log, self.cycles_per_tick, *self._sync())

    def cycle(self) -> int:
        """Returns: the rig's own time, in cycles."""
        return self._sync()[0]

    def after(self, seconds: float) -> Callable[[], bool]:
        """Returns: what tells whether so much of the rig's own time has passed from now on."""
        end = self._sync()[0] + round(seconds * self.clock_hz)
        return lambda: self._sync()[0] > end

    def respond(self, responder: Rule) -> None:
        """Changes the rule while the firmware runs."""
        self._ask(f"responder {' '.join(responder.settings())}", "ok")

    def level(self, level: int) -> None:
        """Holds the response wire at a level."""
        self._ask(f"level {level}", "ok")

    def hang(self) -> None:
        """Lets the firmware's main loop get stuck for good; its interrupts go on."""
        self._ask("hang", "ok")

    def said(self) -> str:
        """Returns: what the harness complained about."""
        self._errors.seek(0)
        return self._errors.read()[-800:]

    def _sync(self) -> list[int]:
        return [int(word) for word in self._ask("sync", "synced")]

    def _ask(self, line: str, word: str) -> list[str]:
        try:
            os.write(self._control, f"{line}\n".encode())
        except BrokenPipeError as error:
            raise RigError(f"the rig has stopped: {self.said()}") from error
        return self._answer(word)

    def _answer(self, word: str) -> list[str]:
        assert self._process.stdout is not None
        # One line an answer, flushed: a readable pipe holds a whole line.
        if not select.select([self._process.stdout], [], [], ANSWER_S)[0]:
            raise RigError(f"the rig did not answer within {ANSWER_S:.0f} s")
        first, *rest = self._process.stdout.readline().split() or [""]
        if first != word:
            raise RigError(f"the rig said {' '.join([first, *rest])!r}, not {word!r}: {self.said()}")
        return rest
