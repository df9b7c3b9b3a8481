"""A universal counter as the witness: it times stimulus to response, one pulse of a generator after the other.

A counter measures a time interval between two of its inputs (SCPI-99's function `TINT`) and says nothing else: neither
when it began nor which pulse it belongs to. So one pulse is let out at a time: the counter is started, the generator is
triggered, and what the counter then reads belongs to that pulse for certain; where it reads nothing before the next is
due, there was no answer. The interval is the counter's, by its own clock; the time of the stimulus is this computer's,
taken across a bus, and only says which pulse it was.

Source of the words: SCPI-99, volume 2 (CONFigure, INITiate, FETCh, SENSe:EVENt, STATus:OPERation bit 4, MEASuring).
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal
from typing import Final, Literal

import numpy as np

from edgereply.errors import HostError, SettingError, SourceError
from edgereply.sources import scpi
from edgereply.sources.arrivals import stream, tick_plan
from edgereply.sources.base import SourceBatch, SourceIdentity, StimulusPlan
from edgereply.sources.dialogue import Dialogue
from edgereply.sources.generator import GeneratorSource
from edgereply.sources.limits import check_plan, refuse_pairs, shortest_interval_ns
from edgereply.sources.opening import open_port
from edgereply.storage.stamps import RISE, STIMULUS
from edgereply.system.deadline import Deadline

SHORTEST_PERIOD_NS: Final = 20_000_000
_MEASURING: Final = 1 << 4
_POLL_S: Final = 0.002
# SCPI-99 reads infinity as 9.9E37 and "not a number" as 9.91E37: no interval was had.
_NO_NUMBER: Final = Decimal("9.8E37")
_STEP_V: Final = Decimal("0.05")
_NS: Final = 1_000_000_000


class CounterSource:
    """A generator that sends stimuli one by one, and a counter that times each answer.

    Args:
        port: of the generator; see `opening.open_port`.
        baud: bits a second of a serial one.
        counter: port of the counter. Its input 1 sees the stimulus, its input 2 the response.
        counter_baud: bits a second of a serial one.
        threshold_v: level at which both inputs see an edge; half of the pulse's level where it is not given.
        high_v, low_v, input_limit_v, count_by: as of `GeneratorSource`.
        tolerance_ppm: of the counter's clock, from its data sheet.

    Raises:
        SettingError: levels that make no sense or are too much for the input.
        SourceError: a port cannot be had, or what answers there is not such an instrument.
    """

    def __init__(
        self,
        port: str,
        baud: int = 9600,
        *,
        counter: str,
        counter_baud: int = 9600,
        threshold_v: float | None = None,
        high_v: float = 3.3,
        low_v: float = 0.0,
        input_limit_v: float = 3.3,
        count_by: Literal["burst", "pulse"] = "burst",
        tolerance_ppm: float = 10.0,
    ) -> None:
        self._threshold_v = Decimal(str((high_v + low_v) / 2 if threshold_v is None else threshold_v))
        self._generator = GeneratorSource(
            port, baud, high_v=high_v, low_v=low_v, input_limit_v=input_limit_v, count_by=count_by
        )
        self._due: Iterator[int] | None = None
        self._left = 0
        self._next_ns = 0
        self._closed = False
        try:
            self._port = open_port(counter, counter_baud)
        except BaseException:
            self._generator.close()
            raise
        self._dialogue = Dialogue(self._port, "counter")
        try:
            self._identity = self._identify(tolerance_ppm)
        except BaseException:
            self.close()
            raise

    @property
    def identity(self) -> SourceIdentity:
        """Returns: what both instruments said; the standard has no word for a resolution, so a tick is 1 ns."""
        return self._identity

    def arm(self, plan: StimulusPlan) -> StimulusPlan:
        """Set both instruments up, and read every setting back.

        Args:
            plan: the stimuli wanted, in any pattern but pairs: this computer triggers each.

        Returns:
            The plan as it takes effect.

        Raises:
            SettingError: too quick to be triggered one by one, or beyond an instrument.
            SourceError: an instrument failed.
        """
        self._due = None
        refuse_pairs(plan, "a counter", "it is started anew for each stimulus")
        check_plan(plan)
        shortest_ns = shortest_interval_ns(plan)
        if shortest_ns < SHORTEST_PERIOD_NS:
            raise SettingError(
                f"a counter is started anew for each pulse, and {shortest_ns / 1e6:g} ms are too short for that",
                "stimulus.rate",
                f"give intervals of {SHORTEST_PERIOD_NS / 1e6:g} ms or more: a lower rate, and floor or spread to fit",
            )
        self._set_up()
        took = self._generator.arm(replace(plan, pattern="periodic", period_ns=SHORTEST_PERIOD_NS, count=1))
        self._armed = replace(plan, width_ns=took.width_ns)
        self._due = stream(tick_plan(self._armed, _NS))
        self._left = 0
        return self._armed

    def start(self) -> None:
        """Begin the armed run.

        Raises:
            SourceError: nothing is armed.
        """
        if self._due is None or self._left:
            raise SourceError("nothing is armed", self._port.name, "call arm before start")
        self._left = self._armed.count
        self._next_ns = time.monotonic_ns() + next(self._due)

    def read(self, timeout_s: float) -> SourceBatch | None:
        """Let out the next pulse when it is due, and wait for its answer; see `PulseSource.read`.

        Args:
            timeout_s: longest wait for the pulse to be due, in seconds.

        Returns:
            A stimulus, and its response where there was one, or None.

        Raises:
            SourceError: an instrument failed.
        """
        if self._due is None:
            return None
        if self._left <= 0:
            return self._end([]) if self._left < 0 else None
        deadline = Deadline(timeout_s)
        while (left_s := (self._next_ns - time.monotonic_ns()) / _NS) > 0:
            if deadline.expired():
                return None
            time.sleep(min(left_s, deadline.remaining_s()))
        self._dialogue.tell("INIT")
        self._dialogue.check("INIT")
        at_ns = time.monotonic_ns()
        self._generator.trigger()
        self._next_ns = max(self._next_ns, at_ns) + next(self._due)
        found = [(STIMULUS, at_ns)]
        if (interval_ns := self._interval(self._next_ns)) is not None:
            found.append((RISE, at_ns + interval_ns))
        self._left -= 1
        return self._end(found) if not self._left else _batch(found, False)

    def abort(self) -> None:
        """End the run; the batch with `done` is what remains to be read."""
        if self._left > 0:
            self._left = -1

    def level(self) -> int | None:
        """Returns: None; the standard has no word for the level of a counter's input."""
        return None

    def close(self) -> None:
        """Switch the output off and let both instruments go."""
        if not self._closed:
            self._closed = True
            self._generator.close()
            with contextlib.suppress(HostError):
                self._dialogue.tell("ABOR")
            self._port.close()

    def _end(self, found: list[tuple[int, int]]) -> SourceBatch:
        self._due, self._left = None, 0
        return _batch(found, True)

    def _interval(self, until_ns: int) -> int | None:
        """What the counter reads, in ns; None where it still waits for an answer when the next pulse is due."""
        while self._dialogue.number("STAT:OPER:COND?") & _MEASURING:
            if time.monotonic_ns() >= until_ns:
                self._dialogue.tell("ABOR")
                self._dialogue.check("ABOR")
                return None
            time.sleep(_POLL_S)
        text = self._dialogue.ask("FETC?")
        try:
            seconds = scpi.parse_number(text)
        except scpi.ScpiError as error:
            raise self._dialogue.nonsense("FETC?", text.encode()) from error
        if not 0 <= seconds < _NO_NUMBER:
            return None
        return int((seconds * _NS).to_integral_value())

    def _set_up(self) -> None:
        dialogue = self._dialogue
        dialogue.reset()
        dialogue.tell("CONF:TINT (@1),(@2)")
        dialogue.check("CONF:TINT (@1),(@2)")
        for event in ("EVEN1", "EVEN2"):
            level_v = dialogue.set_value(f"{event}:LEV", f"{self._threshold_v}")
            if abs(level_v - self._threshold_v) > _STEP_V:
                raise SourceError(
                    f"{event}:LEV was set to {self._threshold_v} V but reads {level_v} V", self._port.name,
                    "choose another threshold_v",
                )  # fmt: skip
            dialogue.set_word(f"{event}:SLOP", "POS", ("POSITIVE",))

    def _identify(self, tolerance_ppm: float) -> SourceIdentity:
        found = self._dialogue.identification()
        return SourceIdentity(
            kind="counter",
            model=f"{found.maker} {found.model}, pulses by {self._generator.identity.model}".strip(),
            serial=found.serial,
            firmware=found.firmware,
            tick_hz=_NS,
            tolerance_ppm=tolerance_ppm,
            captures=True,
            virtual=False,
        )


def _batch(found: list[tuple[int, int]], done: bool) -> SourceBatch:
    return SourceBatch(
        kind=np.array([kind for kind, _ in found], dtype=np.uint8),
        at_ns=np.array([at_ns for _, at_ns in found], dtype=np.int64),
        lost=0,
        done=done,
    )
