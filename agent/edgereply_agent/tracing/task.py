"""The recording of one task: made before its keeper, fed by its worker's ring, gone with it. No trouble ends a run."""

from __future__ import annotations

from typing import Optional

from edgereply_agent.counters import line_interrupts
from edgereply_agent.ring import Ring
from edgereply_protocol import Json, Traced

from .instance import CannotTrace, Instance, interrupt_cpus
from .pages import Decoder, FormatError
from .price import event_cost_ns
from .recorder import Recorder


class Tracing:
    """What the kernel did beside late answers, or why that cannot be had.

    Args:
        cpus: those the answering process may run on; None for all.
        deadline_ns: later is late; None where there is none.

    `in_effect` says whether it is `on`; `warnings` why it is not. `report` is what became of it, once it has ended.
    """

    def __init__(self, cpus: Optional[tuple[int, ...]], deadline_ns: Optional[int]) -> None:
        self.in_effect: Json = {"on": False}
        self.warnings: list[str] = []
        self.report: Json = {}
        self._deadline_ns = deadline_ns
        self._instance: Optional[Instance] = None
        self._recorder: Optional[Recorder] = None
        try:
            self._open(cpus)
        except (CannotTrace, FormatError, OSError) as error:
            self._refuse(error)

    def _open(self, cpus: Optional[tuple[int, ...]]) -> None:
        wanted = None
        if cpus is not None:
            # The line's interrupt may come to another CPU, and it is where an answer begins.
            coming = interrupt_cpus([name.split()[0] for name in line_interrupts()])
            wanted = frozenset(cpus) | coming if coming else None
        self._instance = Instance(wanted)
        Decoder(self._instance.formats())
        cost_ns = event_cost_ns(self._instance)
        self.in_effect = {"on": True, **self._instance.in_effect, "deadline_ns": self._deadline_ns, "event_ns": cost_ns}

    def look_on(self, ring: Ring, pid: int) -> Optional[int]:
        """Fork the process that reads; its number, or None where there is nothing to read."""
        if self._instance is None:
            return None
        self._recorder = Recorder(self._instance, ring, pid, self._deadline_ns)
        return self._recorder.pid

    def start(self) -> None:
        """Record from now on."""
        if self._instance is not None:
            try:
                self._instance.record(True)
            except OSError as error:
                self._refuse(error)

    def watch(self) -> list[int]:
        """Descriptors that become readable when there is something to take."""
        return [] if self._recorder is None or self._recorder.fd < 0 else [self._recorder.fd]

    def take(self) -> Optional[Traced]:
        """What was found beside some answers; None when there is nothing now."""
        return None if self._recorder is None else self._recorder.take()

    def end(self) -> None:
        """The answers have ended: have the last ones looked at, then switch off. May be called again."""
        if self._recorder is not None and not self.report:
            self._recorder.finish()
            self.report = self._recorder.report
        self.remove()

    def close(self) -> None:
        """Give everything back, at once."""
        if self._recorder is not None:
            self._recorder.close()
        self.remove()

    def remove(self) -> None:
        """Nothing is recorded any more; also called by the keeper, when the session is gone."""
        if self._instance is not None:
            self._instance.remove()

    def _refuse(self, error: Exception) -> None:
        self.remove()
        self._instance, self.in_effect = None, {"on": False, "why": str(error)}
        self.warnings.append(f"what held up late answers is not recorded: {error}")
