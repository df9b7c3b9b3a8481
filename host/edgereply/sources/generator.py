"""Any function generator that speaks SCPI, on a serial line, USB or the network: periodic stimuli, nothing captured.

The generator times its own pulses and reports none of them. What is read from it are the nominal
times on its own clock: pulse k at k periods after the first, as many as it was told to emit.
"""

from __future__ import annotations

import contextlib
import time
from dataclasses import replace
from decimal import Decimal
from typing import Literal

import numpy as np

from edgereply.errors import HostError, SettingError, SourceError
from edgereply.sources.base import SourceBatch, SourceIdentity, StimulusPlan
from edgereply.sources.dialogue import Dialogue
from edgereply.sources.levels import Levels
from edgereply.sources.limits import check_plan
from edgereply.sources.opening import open_port
from edgereply.storage.stamps import STIMULUS
from edgereply.system.deadline import Deadline

_SLICE_S = 0.02
_END_S = 10.0


class GeneratorSource:
    """Client of a function generator.

    Args:
        port: what it is on; see `opening.open_port`.
        baud: bits a second of a serial one.
        high_v: level of a pulse, in V.
        low_v: level between pulses, in V.
        input_limit_v: the most the board's input bears, in V. The output stays off when the pulse would be higher.
        count_by: ``burst`` for generators that count cycles of a triggered burst, ``pulse`` for
            those with SCPI's own pulse count.
        tolerance_ppm: of the generator's clock, from its data sheet.

    Raises:
        SettingError: levels that make no sense or are too much for the input.
        SourceError: the port cannot be had, or nothing that speaks SCPI answers.
    """

    def __init__(
        self,
        port: str,
        baud: int = 9600,
        *,
        high_v: float = 3.3,
        low_v: float = 0.0,
        input_limit_v: float = 3.3,
        count_by: Literal["burst", "pulse"] = "burst",
        tolerance_ppm: float = 100.0,
    ) -> None:
        if count_by not in ("burst", "pulse"):
            raise SettingError(f"{count_by!r} is no way to count", "count_by", "use burst or pulse")
        self._levels = Levels(*(Decimal(str(value)) for value in (high_v, low_v, input_limit_v)))
        self._levels.check()
        self._count_by = count_by
        self._trigger_word = "*TRG" if count_by == "burst" else "INIT"
        self._port = open_port(port, baud)
        self._dialogue = Dialogue(self._port, "generator")
        self._plan: StimulusPlan | None = None
        self._started_s: float | None = None
        self._ended_s: float | None = None
        self._reported = 0
        self._closed = False
        try:
            self._identity = self._identify(tolerance_ppm)
        except BaseException:
            self._port.close()
            raise

    @property
    def identity(self) -> SourceIdentity:
        """Returns: what the generator said it is; its times are nominal, so a tick is 1 ns."""
        return self._identity

    def arm(self, plan: StimulusPlan) -> StimulusPlan:
        """Set the generator up; its output goes on last, after the levels were read back.

        Args:
            plan: the stimuli wanted; periodic.

        Returns:
            The plan as the generator took it.

        Raises:
            SettingError: not periodic, beyond the generator, or too much for the board's input.
            SourceError: the generator failed.
        """
        self._plan = None
        self._halt()
        check_plan(plan)
        if plan.pattern != "periodic":
            raise SettingError(
                f"a function generator cannot do {plan.pattern} arrivals",
                self._port.name,
                "use pattern periodic, or a source that draws intervals",
            )
        dialogue = self._dialogue
        dialogue.reset()
        dialogue.set_word("OUTP", "0", ("OFF",))
        dialogue.set_word("FUNC", "PULS", ("PULSE",))
        if plan.inverted:
            dialogue.set_word("OUTP:POL", "INV", ("INVERTED",))
        took = self._set_times(plan)
        self._levels.set_on(dialogue, self._port.name)
        self._set_count(plan.count)
        dialogue.set_word("OUTP", "1", ("ON",))
        self._plan = took
        return took

    def start(self) -> None:
        """Trigger the armed pulses.

        Raises:
            SourceError: nothing is armed, or the generator failed.
        """
        if self._plan is None or self._started_s is not None:
            raise SourceError("nothing is armed", self._port.name, "call arm before start")
        self._dialogue.tell(self._trigger_word)
        self._started_s = time.monotonic()
        self._ended_s = None
        self._reported = 0
        self._dialogue.check("to trigger")

    def trigger(self) -> None:
        """Let out what is armed at once, for somebody else to time; nothing of it is read.

        Raises:
            SourceError: nothing is armed, or the generator failed.
        """
        if self._plan is None:
            raise SourceError("nothing is armed", self._port.name, "call arm before trigger")
        self._dialogue.tell(self._trigger_word)
        self._dialogue.check("to trigger")

    def read(self, timeout_s: float) -> SourceBatch | None:
        """Wait for stimuli to become due; see `PulseSource.read`.

        Args:
            timeout_s: longest wait, in seconds.

        Returns:
            Nominal times of the stimuli due since the last call, or None.

        Raises:
            SourceError: the generator does not confirm that it is done, or has an error.
        """
        deadline = Deadline(timeout_s)
        while self._started_s is not None and self._plan is not None:
            plan = self._plan
            end_s = self._ended_s if self._ended_s is not None else time.monotonic()
            due = min(plan.count, 1 + int((end_s - self._started_s) * 1e9) // plan.period_ns)
            over = self._ended_s is not None or due >= plan.count
            if over and self._ended_s is None:
                self._dialogue.answer_to("*OPC?", Deadline(_END_S))
                self._dialogue.check("the run")
            if over or due > self._reported:
                return self._batch(plan, due, over)
            if deadline.expired():
                return None
            time.sleep(min(_SLICE_S, deadline.remaining_s()))
        return None

    def abort(self) -> None:
        """End the pulses and switch the output off; how many came is then known only from the time."""
        if self._started_s is not None and self._ended_s is None:
            self._ended_s = time.monotonic()
        if not self._closed:
            with contextlib.suppress(SourceError):
                self._dialogue.tell("OUTP 0")
                self._dialogue.tell("ABOR")
                self._dialogue.error()

    def level(self) -> int | None:
        """Returns: None, a generator has no input."""
        return None

    def close(self) -> None:
        """Switch the output off and let the port go."""
        if not self._closed:
            with contextlib.suppress(HostError):
                self.abort()
            self._closed = True
            self._port.close()

    def _halt(self) -> None:
        if self._started_s is not None:
            self.abort()
            self._started_s = None

    def _batch(self, plan: StimulusPlan, due: int, over: bool) -> SourceBatch:
        numbers = np.arange(self._reported, due, dtype=np.int64)
        self._reported = due
        if over:
            self._plan = self._started_s = None
        kind = np.full(len(numbers), STIMULUS, dtype=np.uint8)
        return SourceBatch(kind=kind, at_ns=numbers * plan.period_ns, lost=0, done=over)

    def _identify(self, tolerance_ppm: float) -> SourceIdentity:
        found = self._dialogue.identification()
        return SourceIdentity(
            kind="generator",
            model=f"{found.maker} {found.model}".strip(),
            serial=found.serial,
            firmware=found.firmware,
            tick_hz=1_000_000_000,
            tolerance_ppm=tolerance_ppm,
            captures=False,
            virtual=False,
        )

    def _set_times(self, plan: StimulusPlan) -> StimulusPlan:
        set_time = self._dialogue.set_time
        slack_ns = plan.period_ns // 10_000 + 10
        try:
            set_time("PULS:PER", plan.period_ns, slack_ns)
        except SettingError:
            # Shorter than the width that is still set: the width first, then.
            set_time("PULS:WIDT", plan.width_ns, plan.width_ns // 100 + 10)
        width_ns = set_time("PULS:WIDT", plan.width_ns, plan.width_ns // 100 + 10)
        period_ns = set_time("PULS:PER", plan.period_ns, slack_ns)
        return replace(plan, period_ns=period_ns, width_ns=width_ns)

    def _set_count(self, count: int) -> None:
        if self._count_by == "pulse":
            self._dialogue.set_integer("PULS:COUN", count)
            return
        self._dialogue.set_word("TRIG:SOUR", "BUS")
        self._dialogue.set_word("BURS:MODE", "TRIG", ("TRIGGERED",))
        self._dialogue.set_integer("BURS:NCYC", count)
        self._dialogue.set_word("BURS:STAT", "1", ("ON",))
