"""A pulse source at the pins of the emulated machine's own GPIO controller, so that its real driver answers.

The emulator's test socket takes one line of text for a level at an input pin and tells each change of an output pin
(QEMU, "QTest Device Emulation Testing Framework"). The guest's kernel meets them as it would on a board: through its
controller's registers and its interrupt. Stamps are this computer's clock, taken before a pin is set and when a message
arrives: coarse, and virtual like all else here.
"""

from __future__ import annotations

import queue
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from edgereply.errors import SourceError
from edgereply.sources.base import SourceBatch, SourceIdentity, StimulusPlan
from edgereply.storage.stamps import FALL, RISE, STIMULUS
from tests.virtual_board.errors import BoardError
from tests.virtual_board.machine import MONITOR_SOCKET, PINS_SOCKET
from tests.virtual_board.monitor import Monitor

ANSWER_S = 30.0
# After the last pulse answers are waited for so long; a crowded computer's guest may take its time.
LINGER_S = 2.0


class PinSource:
    """Stimuli at one input pin, responses from one output pin. `read` and the rest may be used from one thread.

    Args:
        folder: of the running machine, with its sockets.
        kind: type of the controller in the emulator's tree of devices, such as "pl061".
        stimulus: number of the pin that the emulated world drives.
        response: number of the pin that the board drives.
    """

    def __init__(self, folder: Path, kind: str, stimulus: int, response: int) -> None:
        self.identity = SourceIdentity(
            kind="reference", model=f"pins of {kind} (virtual, coarse)", serial="0", firmware="0",
            tick_hz=1_000_000_000, tolerance_ppm=0.0, captures=True, virtual=True,
        )  # fmt: skip
        self._device = device(folder / MONITOR_SOCKET, kind)
        self._stimulus, self._response = stimulus, response
        self._socket = socket.socket(socket.AF_UNIX)
        self._socket.settimeout(ANSWER_S)
        self._socket.connect(str(folder / PINS_SOCKET))
        self._found: queue.SimpleQueue[tuple[int, int]] = queue.SimpleQueue()
        self._answers: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._level = 0
        self._ending = threading.Event()
        self._emitter: threading.Thread | None = None
        self._plan: StimulusPlan | None = None
        self._finished = True
        self._reader = threading.Thread(target=self._receive, daemon=True)
        self._reader.start()
        self._ask(f"irq_intercept_out {self._device}")
        self._set(0)

    def arm(self, plan: StimulusPlan) -> StimulusPlan:
        """See `PulseSource.arm`."""
        self._plan = plan
        return plan

    def start(self) -> None:
        """See `PulseSource.start`."""
        assert self._plan is not None
        self._ending.clear()
        self._found = queue.SimpleQueue()  # what changed before belongs to no run
        self._finished = False
        self._emitter = threading.Thread(target=self._emit, args=(self._plan,), daemon=True)
        self._emitter.start()

    def read(self, timeout_s: float) -> SourceBatch | None:
        """See `PulseSource.read`."""
        if self._finished or self._emitter is None:
            return None
        rows = []
        try:
            rows.append(self._found.get(timeout=timeout_s))
            while True:
                rows.append(self._found.get_nowait())
        except queue.Empty:
            pass
        done = not self._emitter.is_alive() and self._found.empty()
        self._finished = done
        if not rows and not done:
            return None
        rows.sort(key=lambda row: row[1])
        kind, at_ns = zip(*rows, strict=True) if rows else ((), ())
        return SourceBatch(kind=np.array(kind, np.uint8), at_ns=np.array(at_ns, np.int64), lost=0, done=done)

    def abort(self) -> None:
        """See `PulseSource.abort`."""
        self._ending.set()
        if self._emitter is not None:
            self._emitter.join(ANSWER_S)

    def level(self) -> int | None:
        """See `PulseSource.level`; a moment is left for the message to arrive."""
        time.sleep(0.2)
        return self._level

    def close(self) -> None:
        """See `PulseSource.close`."""
        self.abort()
        self._socket.close()

    def _emit(self, plan: StimulusPlan) -> None:
        due_ns = time.monotonic_ns()
        for interval_ns in _intervals(plan):
            due_ns += interval_ns
            if self._ending.wait(max(0.0, (due_ns - time.monotonic_ns()) / 1e9)):
                break
            self._found.put((STIMULUS, time.monotonic_ns()))
            self._set(1)
            time.sleep(plan.width_ns / 1e9)
            self._set(0)
        self._ending.wait(LINGER_S)

    def _set(self, level: int) -> None:
        self._ask(f"set_irq_in {self._device} unnamed-gpio-in {self._stimulus} {level}")

    def _ask(self, line: str) -> None:
        self._socket.sendall(f"{line}\n".encode())
        try:
            said = self._answers.get(timeout=ANSWER_S)
        except queue.Empty:
            said = "nothing"
        if said != "OK":
            raise SourceError(f"the emulator said {said!r} to {line!r}")

    def _receive(self) -> None:
        rest = b""
        while True:
            try:
                data = self._socket.recv(4096)
            except TimeoutError:
                continue
            except OSError:
                return
            at_ns = time.monotonic_ns()
            if not data:
                return
            *lines, rest = (rest + data).split(b"\n")
            for later_ns, line in enumerate(lines):  # what arrives together keeps its order
                words = line.decode().split()
                if words[:1] != ["IRQ"]:
                    self._answers.put(line.decode())
                elif int(words[2]) == self._response:
                    self._level = int(words[1] == "raise")
                    self._found.put((RISE if self._level else FALL, at_ns + later_ns))


def _intervals(plan: StimulusPlan) -> Iterator[int]:
    """Uniform arrivals where the plan wants irregular ones; the real sources' sequence is not needed here."""
    draw = np.random.default_rng(plan.seed)
    spread = 0 if plan.pattern == "periodic" else plan.period_ns // 3
    for _ in range(plan.count):
        yield plan.period_ns + int(draw.integers(-spread, spread + 1))


def device(monitor: Path, kind: str) -> str:
    """Path of the one device of a type in the emulator's tree (QEMU Machine Protocol, `qom-list`)."""
    with Monitor(monitor) as qmp:
        places = ("/machine/unattached", "/machine", "/machine/soc")
        found = [
            f"{place}/{item['name']}"
            for place in places
            for item in _listed(qmp, place)
            if item["type"] == f"child<{kind}>"
        ]
    if len(found) != 1:
        raise SourceError(f"the emulated machine has {len(found)} devices of the type {kind}, one was expected")
    return found[0]


def _listed(qmp: Monitor, place: str) -> list[dict[str, str]]:
    try:
        items: list[dict[str, str]] = qmp.ask("qom-list", path=place)
    except BoardError:
        return []
    return items
