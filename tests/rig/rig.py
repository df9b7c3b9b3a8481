"""The bench in software: source firmware on a simulated chip, something that answers, a serial port to open."""

from __future__ import annotations

import contextlib
import select
import subprocess
import tempfile
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from types import TracebackType

from tests.rig import build
from tests.rig.packages import RigError
from tests.rig.truth import Truth, read_truth

ANSWER_S = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Responder:
    """A board under test by rule; times in cycles of 62.5 ns, each `..._every` counts stimuli, 0 is never."""

    delay_min: int = 16_000
    delay_max: int = 16_000
    width: int = 1_600
    jumper: int = 0  # 1: no board but a wire from stimulus to response, delayed by delay_min
    inverted: int = 0  # 1: answers the stimulus' falling edge
    miss_every: int = 0
    twice_every: int = 0
    gap: int = 1_600  # from the first answer's fall to the second one's rise
    short_every: int = 0
    short_width: int = 16
    seed: int = 1

    def settings(self) -> list[str]:
        return ["on=1", *(f"{name}={value}" for name, value in asdict(self).items())]


class Rig:
    """Runs for as long as the `with` block; not for use from several threads.

    Args:
        responder: answers by rule; without it and without a board nothing answers.
        board: name of a bare-metal board (`direct`, `lookup`) or the path of a firmware, wired stimulus to INT0
            and PB0 to the source's capture input, in lock-step with the source.
        source: firmware of the source; the reference firmware when None.
        without: corrections of the simulator to leave out: flags, compare, entry, pin-time.

    Attributes:
        port: path of the pseudo-terminal that stands for the serial line.
    """

    def __init__(
        self,
        *,
        responder: Responder | None = None,
        board: str | Path | None = None,
        source: Path | None = None,
        without: Sequence[str] = (),
    ) -> None:
        if responder and board:
            raise RigError("either a responder or a board answers, not both")
        self.port = ""
        self._without = without
        self._settings = responder.settings() if responder else []
        self._source = source or build.pulse_source()
        self._board = build.board(board) if isinstance(board, str) else board
        self._folder = tempfile.TemporaryDirectory(prefix="edgereply-rig-")
        self._log = Path(self._folder.name) / "truth.tsv"
        self._process: subprocess.Popen[str] | None = None

    def __enter__(self) -> Rig:
        command = [str(build.harness()), str(self._source), str(self._log)]
        if self._board:
            command += ["--board", str(self._board)]
        for name in self._without:
            command += ["--without", name]
        self._errors = (Path(self._folder.name) / "errors.txt").open("w+")
        self._process = subprocess.Popen(
            [*command, *self._settings],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._errors,
            text=True,
            bufsize=1,
        )
        try:
            self.port = self._answer("port")[0]
        except BaseException:
            self.__exit__(None, None, None)
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        process = self._process
        assert process is not None
        assert process.stdin is not None
        assert process.stdout is not None
        with contextlib.suppress(BrokenPipeError):
            process.stdin.close()
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(10)
        process.stdout.close()
        self._errors.close()
        self._folder.cleanup()

    def truth(self) -> Truth:
        """Returns: everything that has happened on the wires up to now."""
        now, tick_zero, stack, overruns = map(int, self._ask("sync", "synced"))
        return read_truth(self._log, now, tick_zero, stack, overruns)

    def respond(self, responder: Responder) -> None:
        """Changes the rule while the simulation runs."""
        self._ask(f"responder {' '.join(responder.settings())}", "ok")

    def level(self, level: int) -> None:
        """Holds the response wire at a level."""
        self._ask(f"level {level}", "ok")

    def hang(self) -> None:
        """Lets the source's main loop get stuck for good; its interrupts go on."""
        self._ask("hang", "ok")

    def _ask(self, line: str, word: str) -> list[str]:
        assert self._process is not None
        assert self._process.stdin is not None
        try:
            self._process.stdin.write(line + "\n")
            self._process.stdin.flush()
        except BrokenPipeError as error:
            raise RigError(f"the rig has stopped: {self._said()}") from error
        return self._answer(word)

    def _answer(self, word: str) -> list[str]:
        assert self._process is not None
        assert self._process.stdout is not None
        # The harness sends one line an answer and flushes it, so a readable pipe holds a whole line.
        if not select.select([self._process.stdout], [], [], ANSWER_S)[0]:
            raise RigError(f"the rig did not answer within {ANSWER_S:.0f} s")
        first, *rest = self._process.stdout.readline().split() or [""]
        if first != word:
            raise RigError(f"the rig said {' '.join([first, *rest])!r}, not {word!r}: {self._said()}")
        return rest

    def _said(self) -> str:
        self._errors.seek(0)
        return self._errors.read()[-800:]
