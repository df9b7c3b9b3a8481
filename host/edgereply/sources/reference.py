"""The reference pulse source: hardware-timed, captures responses, speaks SCPI on a serial port."""

from __future__ import annotations

import contextlib
import time
from dataclasses import replace
from typing import Any, NoReturn

from edgereply.deadline import Deadline
from edgereply.errors import HostError, SettingError, SourceError
from edgereply.sources import scpi
from edgereply.sources.base import SourceBatch, SourceIdentity, StimulusPlan
from edgereply.sources.limits import check_plan
from edgereply.sources.records import RecordError, Timeline
from edgereply.sources.serial_port import SerialPort

ANSWER_S = 2.0
SILENCE_S = 5.0
_STOP_S = 5.0
_REFUSALS = (-221, -222, -224)
_PATTERNS = {"periodic": "PER", "uniform": "UNIF", "exponential": "EXP"}


class ReferenceSource:
    """Client of an instrument that speaks the pulse source's command set.

    Opening may reset the instrument, so it is asked who it is until it answers.

    Args:
        port: serial port.
        baud: bits a second.
        kind: name in the table of sources.
        patience_s: how long it may take to answer at first.

    Raises:
        SourceError: the port cannot be had, nothing answers, or something else does.
    """

    def __init__(self, port: str, baud: int = 500_000, *, kind: str = "reference", patience_s: float = 6.0) -> None:
        self._port = SerialPort(port, baud)
        self._stream: scpi.BlockStream | None = None
        self._timeline: Timeline | None = None
        self._armed = False
        self._heard_s = 0.0
        self._failure: HostError | None = None
        self._closed = False
        try:
            self._identity = self._identify(kind, Deadline(patience_s))
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
        self._port.send(scpi.message("*CLS", "OUTP OFF"))
        self._set_word("PULS:ARR", _PATTERNS[plan.pattern])
        self._set_word("PULS:POL", "INV" if plan.inverted else "NORM")
        took: dict[str, Any] = {
            "period_ns": self._set_time("PULS:PER", plan.period_ns),
            "width_ns": self._set_time("PULS:WIDT", plan.width_ns),
        }
        if plan.pattern == "exponential":
            took["floor_ns"] = self._set_time("PULS:ARR:FLO", plan.floor_ns)
        if plan.pattern == "uniform":
            took["spread_ns"] = self._set_time("PULS:ARR:SPR", plan.spread_ns)
        self._set_number("PULS:ARR:SEED", plan.seed)
        self._set_number("PULS:COUN", plan.count)
        self._set_word("OUTP", "1")
        self._armed = True
        return replace(plan, **took)

    def start(self) -> None:
        """Begin the armed run.

        Raises:
            SourceError: nothing is armed, or the port is gone.
        """
        if not self._armed:
            raise SourceError("nothing is armed.", self._port.name, "Call arm before start.")
        self._armed = False
        self._timeline = Timeline(self._identity.tick_hz)
        self._port.send(scpi.message("READ?"))
        self._stream = scpi.BlockStream()
        self._heard_s = time.monotonic()

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
            try:
                self._port.send(scpi.DEVICE_CLEAR)
            except SourceError as error:
                self._failure = error

    def level(self) -> int | None:
        """Returns: the response input now; None while a run is being read, when it cannot be asked.

        Raises:
            SourceError: the instrument does not answer.
        """
        if self._stream is not None:
            return None
        return int(self._number("DIG:DATA?") != 0)

    def close(self) -> None:
        """Stop what runs, hold the output idle, let the port go."""
        if self._closed:
            return
        with contextlib.suppress(HostError):
            if self._failure is None:
                self._stop()
            self._port.send(scpi.DEVICE_CLEAR + scpi.message("OUTP OFF"))
            if self._failure is None:
                self._ask("*OPC?")
        self._closed = True
        self._port.close()

    # Reading a run

    def _receive(self, stream: scpi.BlockStream, deadline: Deadline) -> SourceBatch | None:
        blocks: list[bytes] = []
        try:
            data = self._port.receive(deadline)
            if data:
                self._heard_s = time.monotonic()
                blocks = stream.feed(data)
            elif time.monotonic() - self._heard_s > SILENCE_S:
                self._failure = self._silent(f"sent nothing for {SILENCE_S:g} s in the middle of a run")
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
        try:
            return self._timeline.batch(b"".join(blocks), done=over and self._failure is None)
        except RecordError as error:
            self._failure = self._damaged(error)
        # Something in there is damaged: what lies before it is still good.
        good = b""
        for block in blocks:
            probe = self._timeline.copy()
            try:
                probe.batch(good + block)
            except RecordError:
                break
            good += block
        return self._timeline.batch(good)

    def _damaged(self, error: Exception) -> SourceError:
        with contextlib.suppress(HostError):
            self._port.send(scpi.DEVICE_CLEAR)
        failure = SourceError(
            f"the records arrived damaged: {error}.",
            self._port.name,
            "Check the cable and what lies next to it; edges up to there were kept.",
        )
        failure.__cause__ = error
        return failure

    def _refusal(self) -> HostError:
        try:
            entry = scpi.parse_error(self._ask("SYST:ERR?"))
        except (SourceError, scpi.ScpiError) as error:
            failure = SourceError("ended the run before it began.", self._port.name, "Start again.")
            failure.__cause__ = error
            return failure
        self._port.send(scpi.message("*CLS"))
        if entry.code in _REFUSALS:
            return SettingError(f"the pulse source refused to start: {entry}.", self._port.name, "Change the plan.")
        return SourceError(f"the pulse source did not start: {entry}.", self._port.name, "Start again.")

    def _stop(self) -> None:
        if self._stream is None:
            return
        self.abort()
        deadline = Deadline(_STOP_S)
        while self._stream is not None and self._failure is None:
            self._receive(self._stream, deadline)
            if deadline.expired():
                self._failure = self._silent("did not stop when told to")
        if self._failure is not None:
            raise self._failure

    # Asking and setting

    def _identify(self, kind: str, deadline: Deadline) -> SourceIdentity:
        heard = b""
        found: scpi.Identification | None = None
        while found is None and not deadline.expired():
            self._port.send(scpi.DEVICE_CLEAR + b"\n" + scpi.message("*IDN?"))
            attempt = Deadline(min(0.5, deadline.remaining_s()))
            while found is None and (line := self._port.receive_line(attempt)) is not None:
                heard = (heard + line)[-4 * 60 :]
                found = self._recognise(line)
        if found is None:
            if heard.strip():
                self._something_else(heard)
            raise self._silent("does not answer")
        self._port.drain(0.08, Deadline(ANSWER_S))
        return SourceIdentity(
            kind=kind,
            model=found.model.removeprefix("pulse source "),
            serial=found.serial,
            firmware=found.firmware,
            tick_hz=self._number("ROSC:FREQ?", least=1),
            tolerance_ppm=float(self._number("ROSC:TOL?")),
            captures=True,
            virtual="virtual" in found.model,
        )

    def _recognise(self, line: bytes) -> scpi.Identification | None:
        try:
            found = scpi.parse_identification(scpi.parse_line(line))
        except scpi.ScpiError:
            return None
        if found.maker == "edgereply" and found.model.startswith("pulse source "):
            return found
        if line.endswith(b"\n"):
            self._something_else(line)
        return None

    def _something_else(self, heard: bytes) -> NoReturn:
        raise SourceError(
            f"what answers here is not a pulse source; it said {scpi.printable(heard.strip())!r}.",
            self._port.name,
            "Name another port, or load the pulse source's firmware.",
        )

    def _ask(self, query: str) -> str:
        self._port.send(scpi.message(query))
        return self._answer(query, Deadline(ANSWER_S))

    def _answer(self, query: str, deadline: Deadline) -> str:
        line = self._port.receive_line(deadline)
        if line is None:
            raise self._silent(f"did not answer {query}")
        if not line.endswith(b"\n"):
            raise self._silent(f"broke off its answer to {query} after {scpi.printable(line)!r}")
        try:
            return scpi.parse_line(line)
        except scpi.ScpiError as error:
            raise self._nonsense(query, line) from error

    def _number(self, query: str, least: int = 0) -> int:
        text = self._ask(query)
        try:
            value = scpi.parse_integer(text)
        except scpi.ScpiError as error:
            raise self._nonsense(query, text.encode()) from error
        if value < least:
            raise self._nonsense(query, text.encode())
        return value

    def _set(self, header: str, value: str) -> str:
        self._port.send(scpi.message(f"{header} {value}", f"{header}?", "SYST:ERR?"))
        deadline = Deadline(ANSWER_S)
        answer = self._answer(f"{header}?", deadline)
        queued = self._answer("SYST:ERR?", deadline)
        try:
            entry = scpi.parse_error(queued)
        except scpi.ScpiError as error:
            raise self._nonsense("SYST:ERR?", queued.encode()) from error
        if entry.code in _REFUSALS:
            raise SettingError(f"the pulse source refused {header} {value}: {entry}.", self._port.name)
        if entry.code:
            raise SourceError(f"{header} {value} failed: {entry}.", self._port.name, "Check the firmware's version.")
        return answer

    def _set_word(self, header: str, value: str) -> None:
        answer = self._set(header, value)
        if answer.upper() != value:
            raise self._took(header, value, answer)

    def _set_number(self, header: str, value: int) -> None:
        answer = self._set(header, str(value))
        try:
            agrees = scpi.parse_integer(answer) == value
        except scpi.ScpiError as error:
            raise self._nonsense(f"{header}?", answer.encode()) from error
        if not agrees:
            raise self._took(header, str(value), answer)

    def _set_time(self, header: str, wanted_ns: int) -> int:
        answer = self._set(header, scpi.seconds(wanted_ns))
        try:
            took_ns = scpi.parse_seconds(answer)
        except scpi.ScpiError as error:
            raise self._nonsense(f"{header}?", answer.encode()) from error
        if abs(took_ns - wanted_ns) > 1_000_000_000 // self._identity.tick_hz + 1:
            raise self._took(header, f"{wanted_ns} ns", f"{took_ns} ns")
        return took_ns

    def _took(self, header: str, wanted: str, got: str) -> SourceError:
        return SourceError(f"{header} was set to {wanted} but reads {got}.", self._port.name, "Check the firmware.")

    def _silent(self, what: str) -> SourceError:
        return SourceError(
            f"the pulse source {what}.", self._port.name, "Check power, cable and baud rate, press its reset, retry."
        )

    def _nonsense(self, query: str, line: bytes) -> SourceError:
        return SourceError(
            f"the answer to {query} makes no sense: {scpi.printable(line)!r}.",
            self._port.name,
            "Check the cable and the baud rate.",
        )
