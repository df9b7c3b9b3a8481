"""A task: lines requested, processes that work on them, rings the session drains."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Callable, Optional

from edgereply_agent.accounts import Accounts
from edgereply_agent.errors import AgentError, SettingError
from edgereply_agent.keeper import Keeper
from edgereply_agent.realtime import CpuLatency
from edgereply_agent.ring import Ring
from edgereply_agent.routes.base import InputLine, Route
from edgereply_agent.settings import Common, LineSpec, LoadSpec
from edgereply_agent.starvation import check_throttle, guard_s, guard_warning, starved
from edgereply_agent.worker import Become, Worker
from edgereply_protocol import Block, Json, Layout, Traced

from .held import HeldLines

if TYPE_CHECKING:
    from edgereply_agent.load import Load
    from edgereply_agent.tracing.task import Tracing

Started = Callable[[], object]


class Task:
    """Base of all tasks: from a checked setting to blocks of stamps and back to low outputs.

    `in_effect` and `warnings` are what `Configured` says. `reports` is false for a quiet task, which sends nothing by
    itself before it ends. Not thread-safe.
    """

    name = ""

    def __init__(self, private_fds: tuple[int, ...]) -> None:
        self.in_effect: Json = {}
        self.warnings: list[str] = []
        self.reports = True
        self.dead_man_s = 30
        self.running = False
        self.ended = False
        self.context_after: Json = {}
        self._private = private_fds
        self._held = HeldLines(self.in_effect, self.warnings)
        self._workers: list[Worker] = []
        self._keeper: Optional[Keeper] = None
        self._spins = False
        self._guard_s = 0
        self._latency: Optional[CpuLatency] = None
        self._load: Optional[Load] = None
        self._accounts: Optional[Accounts] = None
        self._trace: Optional[Tracing] = None

    # -- set-up, called by subclasses

    def _common(self, common: Common) -> Route:
        self.reports = common.collection == "stream"
        self.dead_man_s = common.dead_man_s
        if common.load:
            self._make_load(common.load)
        route = self._held.route(common.route)
        if common.realtime.hold_cpu_latency:
            self._latency = CpuLatency()
            if self._latency.warning:
                self.warnings.append(self._latency.warning)
        self.in_effect.update(
            task=self.name, route=common.route, collection=common.collection, capacity=common.capacity,
            dead_man_s=common.dead_man_s, event_clock="monotonic" if route.stamps_edges else None,
            lost_edges_seen=route.counts_lost, event_buffer=None, lines={}, realtime={},
            load={} if self._load is None else self._load.in_effect,
        )  # fmt: skip
        if common.hardware_clock and "input" in common.lines:
            self._ask_for_hardware_clock(route, common.lines["input"])
        return route

    def _ask_for_hardware_clock(self, route: Route, spec: LineSpec) -> None:
        """Ask whether the kernel would stamp edges in hardware, and say so; the stamps of the run are its own.

        A hardware clock has a time base of its own (uAPI v2: GPIO_V2_LINE_FLAG_EVENT_CLOCK_HTE), and `wake` would have
        to be brought onto it before the two could be subtracted.
        """
        why = route.no_hardware_clock(spec)
        self.in_effect["hardware_clock"] = {"granted": not why, "why": why}
        found = f"refused: {why}" if why else "granted, on a time base of its own that is not read yet"
        self.warnings.append(f"{spec}: stamps of edges by a hardware clock were {found}; stamps are the kernel's own")

    def _make_load(self, wanted: LoadSpec) -> None:
        """Fork its processes before there is any line they could hold."""
        from edgereply_agent.load import Load

        self._load = Load(wanted)
        self._private = (*self._private, *self._load.session_fds)
        self.warnings += self._load.warnings

    def _guard(self, common: Common, spins: bool = False) -> None:
        """Fork the keeper; after the outputs, before the workers, one of which may never sleep.

        Raises:
            SettingError: nothing but that one would run any more.
        """
        self._spins = spins
        self.warnings += check_throttle(common.realtime, spins)
        if common.trace is not None:
            from edgereply_agent.tracing.task import Tracing

            self._trace = Tracing(common.realtime.cpus, common.trace.deadline_ns)
            self.in_effect["trace"] = self._trace.in_effect
            self.warnings += self._trace.warnings
        self._keeper = Keeper(
            self._held.outputs, self._held.inputs, self._private, common.realtime.fifo_priority,
            None if self._trace is None else self._trace.remove,
        )  # fmt: skip

    def _work(
        self,
        name: str,
        layout: Layout,
        common: Common,
        line: Optional[InputLine],
        body: Callable[[Ring, Started], None],
        prelude: Callable[[], Json] = dict,
        become: Optional[Callable[[Ring], Become]] = None,
    ) -> None:
        assert self._keeper is not None
        ring = Ring(layout, common.capacity, by_descriptor=become is not None)
        others = [fd for worker in self._workers for fd in worker.session_fds]
        private = (*self._private, self._keeper.fd, *others)
        worker = Worker(
            name, ring, lambda started: body(ring, started), common.realtime, line, private, prelude,
            None if become is None else become(ring),
        )  # fmt: skip
        self._workers.append(worker)
        self._keeper.watch(worker.pid)
        realtime, warnings, found = worker.ready()
        realtime["hold_cpu_latency"] = bool(self._latency and self._latency.held)
        self.in_effect["realtime"].update(realtime)
        self.in_effect.update(found)
        self._guard_s = guard_s(realtime["fifo_priority"], self._spins, common.dead_man_s)
        self.in_effect["guard_s"] = self._guard_s or None
        if self._guard_s:
            warnings += guard_warning(realtime["fifo_priority"], self._keeper.priority())
        self.warnings += [warning for warning in warnings if warning not in self.warnings]

    def _look_on(self, answering: bool) -> None:
        """Fork the process that reads what the kernel did, where that is asked for; after the worker.

        Args:
            answering: the worker is the process that answers; otherwise nobody knows which one does.
        """
        if self._trace is not None and self._keeper is not None:
            worker = self._workers[0]
            recorder = self._trace.look_on(worker.ring, worker.pid if answering else 0)
            if recorder is not None:
                self._keeper.watch(recorder)
                others = {} if self._load is None else self._load.pids
                self.in_effect["trace"]["pids"] = {
                    **others, "session": os.getpid(), "recorder": recorder, "keeper": self._keeper.pid,
                    **({} if answering else {"observer": worker.pid}),
                }  # fmt: skip

    # -- called by the session

    def start(self) -> int:
        """Begin.

        Returns:
            The board's clock when all processes waited for edges, in ns.

        Raises:
            AgentError: a process ended instead.
        """
        if not self._workers:
            raise SettingError(f"the task {self.name} has nothing to start", "Start", "use Probe")
        if self._load is not None:
            self._load.start()
        if self._guard_s and self._keeper is not None:
            self._keeper.arm(self._guard_s)
        if self._trace is not None:
            self._trace.start()
        try:
            started_ns = max(worker.go() for worker in self._workers)
        except AgentError as error:
            if (reason := self._starved()) is not None:
                raise reason from error
            raise
        self.running = True
        workers = {worker.name: worker.pid for worker in self._workers}
        load = {} if self._load is None else self._load.pids
        self._accounts = Accounts(workers, {**workers, "session": os.getpid(), **load})
        return started_ns

    def beat(self) -> None:
        """The session goes on: to be called each second or more often."""
        if self._guard_s and self._keeper is not None:
            self._keeper.beat()

    def _starved(self) -> Optional[AgentError]:
        if self._keeper is None or not self._keeper.starved:
            return None
        return starved(self._guard_s, self._workers[0].name)

    def watch(self) -> list[int]:
        """Descriptors that become readable when a process ended, or when there is something to ship."""
        found = [worker.report_fd for worker in self._workers if worker.exit_status is None and worker.report_fd >= 0]
        return [*found, *(self._trace.watch() if self._trace is not None and self.reports else ())]

    def check(self) -> Optional[tuple[str, Optional[AgentError]]]:
        """Whether the task came to an end.

        Returns:
            None while it goes on; else the reason and what went wrong, if anything did.
        """
        if (error := self._starved()) is not None:
            return "the responder starved the board", error
        # Asked once: who dies between two questions would seem to have ended as it should.
        ended = [worker for worker in self._workers if not worker.alive()]
        for worker in ended:
            if (error := worker.failure()) is not None:
                return f"{worker.name} ended", error
        if self._keeper is not None and not self._keeper.alive():
            return "keeper ended", AgentError(
                "internal", "the keeper process, which sets outputs low in an emergency, was ended", "agent",
                "find out who ended it, and run again",
            )  # fmt: skip
        if self._workers and len(ended) == len(self._workers):
            return "done", None
        return None

    def next_block(self) -> Optional[Block]:
        """Take stamps out, None when there are none now (or, once ended, no more)."""
        for worker in self._workers:
            block = worker.ring.drain(final=self.ended)
            if block is not None:
                return block
        return None

    def next_trace(self) -> Optional[Traced]:
        """What the kernel did beside some answers; None when there is nothing now (or, once ended, no more)."""
        return None if self._trace is None else self._trace.take()

    def counts(self) -> tuple[int, int, int]:
        """Edges answered (or events), edges lost by sequence number, rows not recorded."""
        totals = [worker.ring.counts() for worker in self._workers[:1]]
        return totals[0] if totals else (0, 0, 0)

    def context(self) -> Json:
        """What is worth telling beside the counts: context switches since the start, and a reading of counters."""
        found: Json = {} if self._accounts is None else self._accounts.so_far()
        if self._load is not None:
            found["load"] = self._load.report()
        return found

    def probe(self, levels: dict[str, int], read: list[str]) -> dict[str, int]:
        """Set and read lines.

        Raises:
            AgentError: not in this task, or a line cannot.
        """
        raise SettingError(f"the task {self.name} has no lines to probe", "Probe", "configure the task probe")

    def end(self) -> None:
        """End all processes and set outputs low; stamps stay to be drained. May be called again."""
        if self.ended:
            return
        if self.running and self._accounts is not None:
            self.context_after = {"during": {**self._accounts.during(), **self.context()}}
        self.ended, self.running = True, False
        if self._keeper is not None:
            self._keeper.disarm()
        for worker in self._workers:
            worker.stop()
            if self._keeper is not None:
                self._keeper.forget(worker.pid)
        if self._load is not None:
            self._load.close()
        if not (self._workers and all(worker.clean for worker in self._workers)):
            self._held.low()
        if self._trace is not None:
            self._trace.end()
            self.context_after["trace"] = self._trace.report

    def close(self) -> None:
        """End, and give lines and memory back."""
        self.end()
        if self._keeper is not None:
            self._keeper.release()
        for worker in self._workers:
            worker.close()
            worker.ring.close()
        if self._trace is not None:
            self._trace.close()
        self._held.close()
        if self._latency is not None:
            self._latency.close()
        if self._load is not None:
            self._load.close()
        self._workers = []
        self._keeper = self._latency = self._load = None
