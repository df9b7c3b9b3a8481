"""The command interpreter of a pulse source: bytes in, bytes out, no I/O."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Protocol

from edgereply.sources.simulator.grammar import MESSAGE_LIMIT, CommandError, CommandRow, spellings, split_unit
from edgereply.sources.simulator.in_run import READS, URGENT, check_in_run
from edgereply.sources.simulator.setting_commands import StimulusSettings
from edgereply.sources.simulator.status import SimulatorStatus
from edgereply.sources.simulator.stimulus import SimulatedStimulus

DEVICE_CLEAR = 0x03
EMPTY_BLOCK = b"#10"
_HELD_LIMIT = 64
_OUTPUT_LIMIT = 4096


class Instrument(Protocol):
    """What the interpreter commands."""

    @property
    def running(self) -> bool:
        """Returns: whether stimuli or late answers are still being timed."""
        ...

    def begin(self, stimulus: SimulatedStimulus) -> None:
        """Start a run; records of an earlier one are forgotten."""
        ...

    def end(self) -> None:
        """Stop the run at once; its records stay."""
        ...

    def forget(self) -> None:
        """Drop all records."""
        ...

    def take(self) -> bytes:
        """Returns: the oldest records, as many as a block holds, removed; empty when none."""
        ...

    def level(self) -> int:
        """Returns: the response input now."""
        ...


class Engine:
    """Obeys the command set.

    Args:
        instrument: what it commands.
        identity: answer to ``*IDN?``.
        tick_hz: ticks a second.
        tolerance_ppm: clock tolerance it states.

    Attributes:
        out: bytes to send; whoever sends them removes them.
        streaming: whether a ``READ?`` is being answered.
    """

    def __init__(self, instrument: Instrument, identity: str, tick_hz: int, tolerance_ppm: int) -> None:
        self.out = bytearray()
        self.streaming = False
        self._instrument = instrument
        self._identity = identity
        self._tick_hz = tick_hz
        self._tolerance_ppm = tolerance_ppm
        self._status = SimulatorStatus()
        self._settings = StimulusSettings(tick_hz)
        self._has_run = False
        self._in_run = False
        self._line = bytearray()
        self._overrun = False
        self._held: deque[str] = deque()
        self._waiting = False
        self._answer_when_over = False
        self._mark_when_over = False
        self._commands = self._table()

    def feed(self, data: bytes) -> None:
        """Take bytes from the line, obeying what they complete."""
        for byte in data:
            if byte == DEVICE_CLEAR:
                self._device_clear()
            elif byte == 0x0A:
                self._message()
            elif len(self._line) < MESSAGE_LIMIT + 1:
                self._line.append(byte)
            else:
                self._overrun = True

    def pump(self) -> None:
        """Move records into a streamed response, and notice that a run is over."""
        if self.streaming:
            take = self._instrument.take
            while len(self.out) < _OUTPUT_LIMIT and (records := take()):
                self.out += _block(records) + b","
            if len(self.out) >= _OUTPUT_LIMIT:
                return
        if self._in_run and not self._instrument.running:
            self._in_run = False
            if self.streaming:
                self.streaming = False
                self.out += EMPTY_BLOCK + b"\n"
            self._over()

    def _message(self) -> None:
        line, overrun = bytes(self._line), self._overrun
        self._line.clear()
        self._overrun = False
        if line.endswith(b"\r"):
            line = line[:-1]
        if overrun or len(line) > MESSAGE_LIMIT:
            self._status.error(-363)
            return
        for unit in line.decode("latin-1").split(";"):
            if not unit.strip():
                continue
            if self._waiting and split_unit(unit)[0] not in URGENT:
                if len(self._held) >= _HELD_LIMIT:
                    self._status.error(-363)
                else:
                    self._held.append(unit)
            else:
                self._obey(unit)

    def _obey(self, unit: str) -> None:
        header, parameters = split_unit(unit)
        try:
            if header not in self._commands:
                raise CommandError(-113)
            action, arguments = self._commands[header]
            if self._in_run:
                check_in_run(header, self.streaming)
            if len(parameters) > arguments:
                raise CommandError(-108)
            if len(parameters) < arguments or "" in parameters:
                raise CommandError(-109)
            answer = action(*parameters)
            if answer is not None:
                self.out += answer.encode("ascii") + b"\n"
        except CommandError as error:
            self._status.error(error.code)
            if header in READS and not self.streaming:
                self.out += EMPTY_BLOCK + b"\n"

    def _over(self) -> None:
        if self._mark_when_over:
            self._mark_when_over = False
            self._status.operation_complete()
        if self._answer_when_over:
            self._answer_when_over = False
            self.out += b"1\n"
        self._waiting = False
        while self._held and not self._waiting:
            self._obey(self._held.popleft())

    def _device_clear(self) -> None:
        self._line.clear()
        self._overrun = False
        self._forget_waits()
        self._abort()

    def _forget_waits(self) -> None:
        self._held.clear()
        self._waiting = self._answer_when_over = self._mark_when_over = False

    def _abort(self) -> None:
        self._instrument.end()
        self.pump()

    # Commands

    def _table(self) -> dict[str, tuple[Callable[..., str | None], int]]:
        rows: list[CommandRow] = [
            *self._settings.rows(),
            *self._status.rows(),
            ("*IDN?", lambda: self._identity, 0),
            ("*RST", self._reset, 0),
            ("*CLS", self._clear, 0),
            ("*OPC", self._complete, 0),
            ("*OPC?", self._complete_query, 0),
            ("*WAI", self._wait, 0),
            ("*TST?", lambda: "0", 0),
            ("SYSTem:VERSion?", lambda: "1999.0", 0),
            ("[SOURce:]ROSCillator[:INTernal]:FREQuency?", lambda: str(self._tick_hz), 0),
            ("[SOURce:]ROSCillator:TOLerance?", lambda: str(self._tolerance_ppm), 0),
            ("[SENSe:]DIGital:DATA?", lambda: str(self._instrument.level()), 0),
            ("INITiate[:IMMediate]", self._initiate, 0),
            ("FETCh?", self._fetch, 0),
            ("READ?", self._read, 0),
            ("ABORt", self._abort, 0),
        ]
        return {spelling: (action, arguments) for pattern, action, arguments in rows for spelling in spellings(pattern)}

    def _reset(self) -> None:
        self._forget_waits()
        self._abort()
        self._settings.reset()
        self._has_run = False
        if not self.streaming:
            self._instrument.forget()

    def _clear(self) -> None:
        self._forget_waits()
        self._status.clear()

    def _complete(self) -> None:
        if self._in_run:
            self._mark_when_over = True
        else:
            self._status.operation_complete()

    def _complete_query(self) -> str | None:
        if not self._in_run:
            return "1"
        self._answer_when_over = self._waiting = True
        return None

    def _wait(self) -> None:
        self._waiting = self._in_run

    def _initiate(self) -> None:
        stimulus = self._settings.checked()
        self._has_run = self._in_run = True
        self._instrument.begin(stimulus)

    def _read(self) -> None:
        self._initiate()
        self.streaming = True

    def _fetch(self) -> str:
        if not self._has_run:
            raise CommandError(-230)
        self.out += _block(self._instrument.take())
        return ""


def _block(records: bytes) -> bytes:
    length = str(len(records)).encode()
    return b"#%d%s%s" % (len(length), length, records) if records else EMPTY_BLOCK
