"""The reference pulse source: hardware-timed, captures responses, speaks SCPI on a serial port."""

from __future__ import annotations

import contextlib
import time
from dataclasses import replace
from typing import Any

from edgereply.errors import HostError, SettingError, SourceError
from edgereply.sources import scpi
from edgereply.sources.base import SourceBatch, SourceIdentity, StimulusPlan
from edgereply.sources.dialogue import Dialogue
from edgereply.sources.identification import identify
from edgereply.sources.limits import check_plan, with_gaps
from edgereply.sources.opening import open_stream
from edgereply.sources.wire_records import RecordError, TickTimeline
from edgereply.system.deadline import Deadline

SILENCE_S = 5.0
_STOP_S = 5.0
_NO_SUCH_WORD = -224
_PATTERNS = {"periodic": "PER", "uniform": "UNIF", "exponential": "EXP", "pairs": "PAIR"}
_PATTERN_TIMES: dict[str, dict[str, str]] = {
    "periodic": {},
    "uniform": {"spread_ns": "PULS:ARR:SPR"},
    "exponential": {"floor_ns": "PULS:ARR:FLO"},
    "pairs": {"shortest_gap_ns": "PULS:ARR:GAP:SHOR", "longest_gap_ns": "PULS:ARR:GAP:LONG"},
}


class ReferenceSource:
    """Client of an instrument that speaks the pulse source's command set.

    Opening may reset the instrument, so it is asked who it is until it answers.

    Args:
        port: serial port, or socket://host:port or rfc2217://host:port of one on another computer.
        baud: bits a second.
        kind: name in the table of sources.
        patience_s: how long it may take to answer at first.

    Raises:
        SourceError: the port cannot be had, nothing answers, or something else does.
    """

    def __init__(self, port: str, baud: int = 500_000, *, kind: str = "reference", patience_s: float = 6.0) -> None:
        self._port = open_stream(port, baud)
        self._dialogue = Dialogue(self._port, "pulse source")
        self._stream: scpi.BlockStream | None = None
        self._timeline: TickTimeline | None = None
        self._armed = False
        self._heard_s = 0.0
        self._heard_any = False
        self._failure: HostError | None = None
        self._closed = False
        try:
            self._identity = identify(self._dialogue, kind, Deadline(patience_s))
        except BaseException:
            self._port.close()
            raise

    @property
    def identity(self) -> SourceIdentity:
        """Returns: what the instrument said it is."""
        return self._identity

    def arm(self, plan: StimulusPlan) -> StimulusPlan:
        """Set the instrument up, read every setting back, and look for errors after each.

        Args:
            plan: the stimuli wanted.

        Returns:
            The plan as the instrument took it.

        Raises:
            SettingError: the plan is beyond the instrument.
            SourceError: the instrument failed, or took something other than it was told.
        """
        check_plan(plan)
        self._stop()
        self._armed = False
        dialogue = self._dialogue
        dialogue.tell("*CLS", "OUTP OFF")
        if plan.pattern == "pairs":
            plan = with_gaps(plan, self._shortest_gap_ns(), "the pulse source")
        dialogue.set_word("PULS:ARR", _PATTERNS[plan.pattern])
        dialogue.set_word("PULS:POL", "INV" if plan.inverted else "NORM")
        times = {"period_ns": "PULS:PER", "width_ns": "PULS:WIDT", **_PATTERN_TIMES[plan.pattern]}
        tolerance_ns = 1_000_000_000 // self._identity.tick_hz + 1
        took: dict[str, Any] = {
            name: dialogue.set_time(header, getattr(plan, name), tolerance_ns) for name, header in times.items()
        }
        dialogue.set_integer("PULS:ARR:SEED", plan.seed)
        dialogue.set_integer("PULS:COUN", plan.count)
        dialogue.set_word("OUTP", "1")
        self._armed = True
        return replace(plan, **took)

    def start(self) -> None:
        """Begin the armed run.

        Raises:
            SourceError: nothing is armed, or the port is gone.
        """
        if not self._armed:
            raise SourceError("nothing is armed", self._port.name, "call arm before start")
        self._armed = False
        self._timeline = TickTimeline(self._identity.tick_hz)
        self._dialogue.tell("READ?")
        self._stream = scpi.BlockStream()
        self._heard_s = time.monotonic()
        self._heard_any = False

    def read(self, timeout_s: float) -> SourceBatch | None:
        """Wait for edges; see `PulseSource.read`.

        Args:
            timeout_s: longest wait, in seconds.

        Returns:
            The edges, or None.

        Raises:
            SettingError: the instrument refused to start this plan.
            SourceError: it is gone, silent, or sends damaged records; what came before was returned.
        """
        if self._failure is not None:
            raise self._failure
        deadline = Deadline(timeout_s)
        while self._stream is not None:
            batch = self._receive(self._stream, deadline)
            if batch is not None:
                return batch
            if self._failure is not None:
                raise self._failure
            if deadline.expired():
                return None
        return None

    def abort(self) -> None:
        """End the run early; see `PulseSource.abort`. A port that is gone shows at the next read."""
        if self._failure is None and not self._closed:
            # A device clear empties the instrument's input: it could swallow the READ? that was sent just before it,
            # and there would be no run to end and no answer to wait for.
            heard = self._stream is None or self._heard_any
            try:
                self._port.send(scpi.DEVICE_CLEAR if heard else scpi.message("ABOR"))
            except SourceError as error:
                self._failure = error

    def level(self) -> int | None:
        """Returns: the response input now; None while a run is being read, when it cannot be asked.

        Raises:
            SourceError: the instrument does not answer.
        """
        if self._stream is not None:
            return None
        return int(self._dialogue.number("DIG:DATA?") != 0)

    def close(self) -> None:
        """Stop what runs, hold the output idle, let the port go."""
        if self._closed:
            return
        with contextlib.suppress(HostError):
            if self._failure is None:
                self._stop()
            self._port.send(scpi.DEVICE_CLEAR + scpi.message("OUTP OFF"))
            if self._failure is None:
                self._dialogue.ask("*OPC?")
        self._closed = True
        self._port.close()

    def _shortest_gap_ns(self) -> int:
        """What the instrument says of pairs.

        Raises:
            SettingError: its firmware has none.
        """
        if not self._dialogue.accepts("PULS:ARR PAIR", unless=_NO_SUCH_WORD):
            raise SettingError(
                f"the firmware {self._identity.firmware} of the pulse source has no pairs",
                self._port.name,
                "put the newest firmware onto it with 'edgereply source flash', or choose another pattern",
            )
        return self._dialogue.time_ns("PULS:ARR:GAP:LIM?")

    # Reading a run

    def _receive(self, stream: scpi.BlockStream, deadline: Deadline) -> SourceBatch | None:
        blocks: list[bytes] = []
        try:
            data = self._port.receive(Deadline(min(deadline.remaining_s(), SILENCE_S)))
            if data:
                self._heard_s = time.monotonic()
                self._heard_any = True
                blocks = stream.feed(data)
            elif time.monotonic() - self._heard_s > SILENCE_S:
                self._failure = self._dialogue.silent(f"sent nothing for {SILENCE_S:g} s in the middle of a run")
        except scpi.DamagedStreamError as error:
            blocks = error.good
            self._failure = self._damaged(error)
        except SourceError as error:
            self._failure = error
        batch = self._decode(blocks, stream.over)
        if stream.over or self._failure is not None:
            self._stream = None
        if stream.over and self._failure is None and self._timeline is not None and not self._timeline.marks:
            self._failure = self._refusal()
            return None
        return batch if len(batch.kind) or batch.lost or batch.done else None

    def _decode(self, blocks: list[bytes], over: bool) -> SourceBatch:
        assert self._timeline is not None
        good = b"".join(blocks)
        try:
            self._timeline.copy().batch(good)
        except RecordError:
            good = self._up_to_damage(self._timeline, blocks)
        return self._timeline.batch(good, done=over and self._failure is None)

    def _up_to_damage(self, timeline: TickTimeline, blocks: list[bytes]) -> bytes:
        probe = timeline.copy()
        for number, block in enumerate(blocks):
            try:
                probe.batch(block)
            except RecordError as error:
                self._failure = self._damaged(error)
                return b"".join(blocks[:number])
        return b"".join(blocks)

    def _damaged(self, error: Exception) -> SourceError:
        with contextlib.suppress(HostError):
            self._port.send(scpi.DEVICE_CLEAR)
        failure = SourceError(
            f"the records arrived damaged: {error}",
            self._port.name,
            "check the cable and what lies next to it; edges up to there were kept",
        )
        failure.__cause__ = error
        return failure

    def _refusal(self) -> HostError:
        try:
            self._dialogue.check("to start")
        except HostError as error:
            return error
        return SourceError("ended the run before it began", self._port.name, "start again")

    def _stop(self) -> None:
        if self._stream is None:
            return
        self.abort()
        deadline = Deadline(_STOP_S)
        while self._stream is not None and self._failure is None:
            self._receive(self._stream, deadline)
            if deadline.expired():
                self._failure = self._dialogue.silent("did not stop when told to")
        if self._failure is not None:
            raise self._failure
