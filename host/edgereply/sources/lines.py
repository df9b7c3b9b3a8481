"""A bare USB-serial adapter as a pulse source: bytes on TX, or RTS or DTR switched; coarse.

All times are the computer's, taken around calls that cross USB, so they are good to what one such
call takes. That is measured when the port is opened and stated as the resolution.
"""

from __future__ import annotations

import queue
import threading
import time
from dataclasses import replace
from typing import Literal

import numpy as np

from edgereply.errors import SettingError, SourceError
from edgereply.sources.adapter import Adapter
from edgereply.sources.arrivals import stream, tick_plan
from edgereply.sources.base import SourceBatch, SourceIdentity, StimulusPlan
from edgereply.sources.limits import check_plan, refuse_pairs
from edgereply.sources.uart import UartPulse, nearest_pulse
from edgereply.storage.stamps import FALL, RISE, STIMULUS

SHORTEST_PERIOD_NS = 1_000_000
TAIL_S = 0.1
_GAP_NS = 20_000
_POLL_S = 0.000_2
_NS = 1_000_000_000


class LinesSource:
    """Emits from a thread of its own while a run is on.

    TX idles high and a byte makes a low pulse, so plans take effect inverted, with the nearest
    width that a byte can make. On RTS and DTR both polarities are possible; levels are those of
    TTL adapters, where asserted is low. RS-232 levels must never reach a board's input.

    Args:
        port: serial port.
        baud: not used for pulses; the rate that makes the wanted width is chosen.
        stimulus: ``tx``, ``rts`` or ``dtr``.
        response: ``cts``, ``dsr`` or ``none`` where the response is not wired back.

    Raises:
        SettingError: another line.
        SourceError: the port cannot be had.
    """

    def __init__(
        self,
        port: str,
        baud: int = 115_200,
        *,
        stimulus: Literal["tx", "rts", "dtr"] = "tx",
        response: Literal["cts", "dsr", "none"] = "none",
    ) -> None:
        self._adapter = Adapter(port, baud, stimulus, response)
        self._on_tx = stimulus == "tx"
        self._captures = response != "none"
        self._plan: StimulusPlan | None = None
        self._pulse: UartPulse | None = None
        self._found: queue.SimpleQueue[tuple[int, int] | SourceError | None] = queue.SimpleQueue()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._closed = False
        self._identity = SourceIdentity(
            kind="lines",
            model=f"serial adapter, {stimulus} out, {response} in",
            serial="",
            firmware="",
            tick_hz=max(1, _NS // self._adapter.resolution_ns),
            tolerance_ppm=100.0,
            captures=self._captures,
            virtual=False,
        )

    @property
    def identity(self) -> SourceIdentity:
        """Returns: the lines used; its tick is the slowest of some calls across USB."""
        return self._identity

    def arm(self, plan: StimulusPlan) -> StimulusPlan:
        """Bring the line to its idle level.

        Args:
            plan: the stimuli wanted.

        Returns:
            The plan as it takes effect: on TX inverted, with a width that a byte makes.

        Raises:
            SettingError: beyond an adapter.
            SourceError: the port is gone.
        """
        self._plan = None
        self._end()
        refuse_pairs(plan, "an adapter on USB", "its bytes and lines go out when the bus has time for them")
        check_plan(plan)
        if plan.period_ns < SHORTEST_PERIOD_NS:
            raise SettingError(
                f"{plan.period_ns} ns is too short for an adapter on USB", "period_ns", "give 1000000 ns or more"
            )
        if self._on_tx:
            self._pulse = nearest_pulse(plan.width_ns)
            plan = replace(plan, width_ns=self._pulse.low_ns, inverted=True)
            check_plan(plan)
        if self._pulse is not None:
            self._adapter.set_baud(self._pulse.baud)
        else:
            self._adapter.drive(plan.inverted)
        self._plan = plan
        return plan

    def start(self) -> None:
        """Begin the armed run.

        Raises:
            SourceError: nothing is armed.
        """
        if self._plan is None:
            raise SourceError("nothing is armed", self._adapter.name, "call arm before start")
        plan, self._plan = self._plan, None
        self._stop.clear()
        self._found = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._work, args=(plan,), name="edgereply lines", daemon=True)
        self._thread.start()

    def read(self, timeout_s: float) -> SourceBatch | None:
        """Wait for edges; see `PulseSource.read`.

        Args:
            timeout_s: longest wait, in seconds.

        Returns:
            The edges, or None.

        Raises:
            SourceError: the port is gone; the edges before were returned.
        """
        if self._thread is None:
            return None
        try:
            items = [self._found.get(timeout=max(0.0, timeout_s))]
        except queue.Empty:
            return None
        while not self._found.empty():
            items.append(self._found.get())
        edges = [item for item in items if isinstance(item, tuple)]
        failures = [item for item in items if isinstance(item, SourceError)]
        if failures and not edges:
            self._thread = None
            raise failures[0]
        if failures:
            self._found.put(failures[0])
        done = None in items
        if done:
            self._thread = None
        edges.sort(key=lambda edge: edge[1])
        return SourceBatch(
            kind=np.array([kind for kind, _ in edges], dtype=np.uint8),
            at_ns=np.array([at_ns for _, at_ns in edges], dtype=np.int64),
            lost=0,
            done=done,
        )

    def abort(self) -> None:
        """End the run after the pulse it is at."""
        self._stop.set()

    def level(self) -> int | None:
        """Returns: the response input now; None when it is not wired.

        Raises:
            SourceError: the port is gone.
        """
        return self._adapter.level() if self._captures else None

    def close(self) -> None:
        """End what runs, and let the port go."""
        if not self._closed:
            self._closed = True
            self._end()
            self._adapter.close()

    # The emitting thread

    def _work(self, plan: StimulusPlan) -> None:
        put = self._found.put
        try:
            level = self._adapter.level() if self._captures else 0
            start_ns = due_ns = time.monotonic_ns()
            rest_ns = plan.width_ns + _GAP_NS
            steps = stream(tick_plan(plan, _NS))
            for _ in range(plan.count):
                start_ns += next(steps)
                level = self._watch(max(start_ns, due_ns), level)
                if self._stop.is_set():
                    break
                at_ns = time.monotonic_ns()
                self._emit(plan)
                put((STIMULUS, at_ns))
                due_ns = at_ns + rest_ns
            else:
                self._watch(time.monotonic_ns() + int(TAIL_S * _NS), level)
            put(None)
        except SourceError as error:
            put(error)

    def _watch(self, until_ns: int, level: int) -> int:
        """Watch the response until a moment or an abort; returns its last level."""
        while (left_ns := until_ns - time.monotonic_ns()) > 0 and not self._stop.is_set():
            if not self._captures:
                self._stop.wait(left_ns / _NS)
                continue
            now = self._adapter.level()
            if now != level:
                level = now
                self._found.put((RISE if level else FALL, time.monotonic_ns()))
            time.sleep(min(_POLL_S, left_ns / _NS))
        return level

    def _emit(self, plan: StimulusPlan) -> None:
        if self._pulse is not None:
            self._adapter.send(self._pulse.byte)
            return
        self._adapter.drive(not plan.inverted)
        end_ns = time.monotonic_ns() + plan.width_ns
        while time.monotonic_ns() < end_ns:
            pass
        self._adapter.drive(plan.inverted)

    def _end(self) -> None:
        self._stop.set()
        if self._thread is not None:
            self._thread.join(5.0)
            self._thread = None
