"""The virtual pulse source as one loop: emit on time, collect answers, serve the serial line."""

from __future__ import annotations

import ctypes
import os
import random
import sys
from select import select
from time import monotonic_ns

from edgereply.sources.simulator.buffer import RecordBuffer
from edgereply.sources.simulator.clock import VirtualClock
from edgereply.sources.simulator.engine import Engine
from edgereply.sources.simulator.faults import Faults
from edgereply.sources.simulator.line import SerialLine
from edgereply.sources.simulator.run import DELIVER, GHOST_RISE, SimulatedRun
from edgereply.sources.simulator.stimulus import SimulatedStimulus
from edgereply.sources.simulator.wires import Wires
from edgereply.sources.wire_records import TIME_MARK
from edgereply.storage.stamps import FALL, RISE, STIMULUS

SPIN_NS = 60_000
HOLD_BACK_NS = 50_000_000
FLUSH_NS = 10_000_000
MARK_NS = 900_000_000
SLACK_NS = 1_000_000
CAPACITY = 65_536
OUTPUT_LIMIT = 8192
_PR_SET_TIMERSLACK = 29


class Peer:
    """One virtual source; ``serve`` runs until its standard input closes.

    Args:
        clock: its own clock.
        line: its serial line.
        wires: to the board.
        faults: what is to go wrong.
        serial: serial number it states.
        rng: decides when faults happen.
    """

    def __init__(
        self, clock: VirtualClock, line: SerialLine, wires: Wires, faults: Faults, serial: str, rng: random.Random
    ) -> None:
        self._clock = clock
        self._line = line
        self._wires = wires
        self._faults = faults
        self._faulty = faults != Faults()
        self._rng = rng
        self._run: SimulatedRun | None = None
        self._buffer = RecordBuffer(CAPACITY, clock.ticks(SLACK_NS) - clock.ticks(0))
        self._ghost = 0
        self._stuck_ns: int | None = None
        self._captured = 0
        self._flush_ns = 0
        self._mark_ns = 0
        identity = f"edgereply,pulse source virtual,{serial},1.0"
        self._engine = Engine(self, identity, clock.tick_hz, tolerance_ppm=50)

    # What the interpreter commands

    @property
    def running(self) -> bool:
        """Returns: whether a run is on, its tail included."""
        return self._run is not None

    def begin(self, stimulus: SimulatedStimulus) -> None:
        """Start a run."""
        self._collect()
        self._buffer.clear()
        now_ns = monotonic_ns()
        self._captured = self._wires.level
        self._ghost = 0
        after_ms = self._faults.stuck_after_ms
        self._stuck_ns = None if after_ms is None else now_ns + after_ms * 1_000_000
        self._run = SimulatedRun(stimulus, self._clock, now_ns, self._faults, self._rng)
        self._mark(now_ns)
        self._flush_ns = now_ns + FLUSH_NS

    def end(self) -> None:
        """Stop the run; all that was stamped up to now is released."""
        if self._run is None:
            return
        self._collect()
        now_ns = monotonic_ns()
        self._run = None
        self._mark(now_ns)
        self._buffer.release(self._clock.ticks(now_ns))

    def forget(self) -> None:
        """Drop all records."""
        self._buffer.clear()

    def take(self) -> bytes:
        """Returns: the oldest records, removed."""
        return self._buffer.take()

    def level(self) -> int:
        """Returns: the response input now."""
        self._collect()
        return self._captured

    # The loop

    def serve(self) -> None:
        """Work until standard input closes."""
        _ask_for_prompt_timers()
        while True:
            if self._run is None:
                waiting = [sys.stdin, self._wires, *self._wires.boards()]
                timeout_s = 0.01 if self._engine.out or self._engine.streaming else 1.0
            else:
                # Answers carry their own stamps, so nothing wakes for them while stimuli are due.
                waiting = [sys.stdin, self._wires]
                timeout_s = self._run_timeout_s(self._run)
            if self._line.plugged and len(self._engine.out) < OUTPUT_LIMIT:
                waiting.append(self._line)
            ready = select(waiting, [], [], timeout_s)[0]
            if sys.stdin in ready and not os.read(sys.stdin.fileno(), 4096):
                return
            if self._wires in ready:
                self._wires.accept()
            if self._run is not None:
                self._step(self._run)
            self._collect()
            self._serve_line(self._line in ready)

    def _run_timeout_s(self, run: SimulatedRun) -> float:
        until_ns = self._flush_ns
        next_ns = run.next_ns()
        if next_ns is not None:
            until_ns = min(until_ns, next_ns - SPIN_NS)
        return max(0, until_ns - monotonic_ns()) / 1e9

    def _step(self, run: SimulatedRun) -> None:
        next_ns = run.next_ns()
        if next_ns is not None and next_ns - monotonic_ns() <= SPIN_NS:
            while monotonic_ns() < next_ns:
                pass
            if next_ns == run.due_ns:
                self._stimulate(run)
            else:
                self._act(run)

    def _stimulate(self, run: SimulatedRun) -> None:
        emit = self._wires.emit
        at_ns = monotonic_ns()
        times = run.deliveries(at_ns) if self._faulty else 1
        for _ in range(times):
            emit(at_ns)
        self._buffer.add(STIMULUS, self._clock.ticks(at_ns))
        run.advance(at_ns)
        if run.emitted == self._faults.unplug_after:
            self._line.unplug()

    def _act(self, run: SimulatedRun) -> None:
        action = run.pop_later(monotonic_ns())
        if action == DELIVER:
            self._wires.emit(monotonic_ns())
        elif action is not None:
            # Answers given before the ghost must not vanish behind it.
            self._collect()
            self._ghost = int(action == GHOST_RISE)
            self._capture(monotonic_ns(), self._wires.level | self._ghost)

    def _collect(self) -> None:
        for at_ns, level in self._wires.changes(monotonic_ns()):
            self._capture(at_ns, level | self._ghost)

    def _capture(self, at_ns: int, level: int) -> None:
        if level == self._captured or (self._stuck_ns is not None and at_ns >= self._stuck_ns):
            return
        self._captured = level
        if self._run is not None and at_ns >= self._run.start_ns:
            self._buffer.add(RISE if level else FALL, self._clock.ticks(at_ns))

    def _mark(self, now_ns: int) -> None:
        self._buffer.add(TIME_MARK, self._clock.ticks(now_ns))
        self._mark_ns = now_ns + MARK_NS

    def _serve_line(self, readable: bool) -> None:
        engine = self._engine
        if readable:
            engine.feed(self._line.read())
        if self._run is None or self._flush(self._run):
            engine.pump()
        if engine.out:
            if self._line.plugged:
                self._line.write(engine.out, garble=engine.streaming)
            else:
                engine.out.clear()

    def _flush(self, run: SimulatedRun) -> bool:
        now_ns = monotonic_ns()
        if now_ns < self._flush_ns:
            return False
        self._flush_ns = now_ns + FLUSH_NS
        if now_ns >= self._mark_ns:
            self._mark(now_ns)
        self._buffer.release(self._clock.ticks(now_ns - HOLD_BACK_NS))
        if run.ends_ns is not None and now_ns >= run.ends_ns:
            self.end()
        return True


def _ask_for_prompt_timers() -> None:
    """Ask for 1 ns of timer slack instead of 50 µs; where that is refused, stamps stay true, only later."""
    try:
        ctypes.CDLL(None, use_errno=True).prctl(_PR_SET_TIMERSLACK, 1, 0, 0, 0)
    except (AttributeError, OSError):
        return
