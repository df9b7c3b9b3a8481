"""Who had the processor between an edge and its answer, from the events of the board's kernel.

The time is followed backwards along what the answer waited for: the process that answers, who woke it, who woke that.
Each of them waits or runs on one CPU at a time, and what that CPU did meanwhile is where the time went: the innermost
interrupt that is open, or else the process that was switched in. A process of real-time priority that could run while
the scheduler switched to one with less right, or to nothing, is held back by the kernel's throttling. Where events are
missing the time belongs to nobody: it is "unknown".

Sources: Linux, include/trace/events/{irq,sched,power}.h for what the events mean, include/linux/interrupt.h for the
numbers of softirqs, kernel/sched/core.c: a lower priority number goes first, below 100 is real time, a switch away in
state 0 leaves a process that could have gone on.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Final, Literal, NamedTuple

OwnerKind = Literal[
    "interrupt", "softirq", "processor", "process", "idle", "throttled", "answering", "input", "ours", "unknown"
]
SOFTIRQS: Final = (
    "urgent tasklets", "timers", "network sending", "network receiving", "storage", "storage polling", "tasklets",
    "load balancing", "precise timers", "RCU",
)  # fmt: skip
# The name under which the agent holds its lines: their interrupts, and the kernel threads that serve them, carry it.
OUR_LINES: Final = "edgereply"
REAL_TIME: Final = 100
_RUNNABLE: Final = 0xFF
_NEVER_ON_A_CPU: Final = -1


class Owner(NamedTuple):
    """Who had a CPU: an interrupt or softirq by number and name, a process by name, an idle state by number."""

    kind: OwnerKind
    number: int
    name: str


UNKNOWN: Final = Owner("unknown", 0, "")
ANSWERING: Final = Owner("answering", 0, "")
INPUT: Final = Owner("input", 0, "")
THROTTLED: Final = Owner("throttled", 0, "")


class Happening(IntEnum):
    """What an event tells."""

    NONE = 0
    IRQ_ENTRY = 1
    IRQ_EXIT = 2
    SOFTIRQ_ENTRY = 3
    SOFTIRQ_EXIT = 4
    SWITCH = 5
    WAKEUP = 6
    IDLE = 7
    FREQUENCY = 8
    OWN_ENTRY = 9
    OWN_EXIT = 10


AWAKE: Final = 0xFFFFFFFF


class Event(NamedTuple):
    """One event, board clock, nanoseconds.

    `number` is that of an interrupt or softirq, of the process woken or switched to, or of the idle state (`AWAKE` when
    it is left); `name` is theirs, also of the processor's own interrupts. Of a switch `before` is the process switched
    from, of a wake-up the CPU that the process waits for.
    """

    kind: int
    at_ns: int
    cpu: int
    number: int
    priority: int
    name: str
    before: int
    before_priority: int
    before_state: int
    before_name: str


class Span(NamedTuple):
    """A stretch of an answer's time; board clock, nanoseconds."""

    start_ns: int
    end_ns: int
    owner: Owner


@dataclass(slots=True)
class _Cpu:
    """What one CPU is doing, as far as its events have told."""

    task: int | None = None
    name: str = ""
    idle: int = 0
    open: list[Owner] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Wait:
    """One link of the chain: from then until then the answer waited for this process, or it ran."""

    start_ns: int
    end_ns: int
    pid: int


def attribute(
    events: Sequence[Event], edge_ns: int, set_ns: int, pid: int, ours: Mapping[int, str] | None = None
) -> list[Span]:
    """Split the time of one answer.

    Args:
        events: beside the answer, in order of time; those before the edge say how things were then.
        edge_ns, set_ns: of the answer.
        pid: the process that answers; 0 where nobody knows: then all of it is unknown.
        ours: processes of the agent other than that, by number.

    Returns:
        Spans without gaps from edge to set, neighbours with different owners.
    """
    if not events or not pid or set_ns <= edge_ns:
        return [Span(edge_ns, set_ns, UNKNOWN)]
    told = ours or {}
    spans: list[Span] = []
    for wait in reversed(_chain(events, edge_ns, set_ns, pid)):
        spans += _waited(events, wait, pid, told)
    return _joined(spans)


def likely_answering(answers: Iterable[tuple[Sequence[Event], int]]) -> int:
    """The process that ran most often when the answer was given, where nobody knows it.

    Args:
        answers: events beside each answer, and when it was given.

    Returns:
        Its number; 0 where none ran in at least half of them.
    """
    seen: dict[int, int] = {}
    count = 0
    for events, set_ns in answers:
        count += 1
        running: dict[int, int] = {}
        for event in events:
            if event.kind == Happening.SWITCH and event.at_ns <= set_ns:
                running[event.cpu] = event.number
        for pid in {pid for pid in running.values() if pid}:
            seen[pid] = seen.get(pid, 0) + 1
    best = max(seen, key=lambda pid: (seen[pid], -pid), default=0)
    return best if best and 2 * seen[best] >= count else 0


def _chain(events: Sequence[Event], edge_ns: int, set_ns: int, pid: int) -> list[_Wait]:
    """What was waited for, the last first: the answering process since it was woken, then who woke it, and so on."""
    found: list[_Wait] = []
    end_ns = set_ns
    while True:
        woken = next(
            (
                event
                for event in reversed(events)
                if event.kind == Happening.WAKEUP and event.number == pid and edge_ns <= event.at_ns <= end_ns
            ),
            None,
        )
        if woken is None:
            found.append(_Wait(edge_ns, end_ns, pid))
            return found
        found.append(_Wait(woken.at_ns, end_ns, pid))
        waker, inside = _running(events, woken)
        end_ns = woken.at_ns
        if waker == pid or inside or waker <= 0:
            # Woken by an interrupt: from the edge on it is that CPU that counts.
            found.append(_Wait(edge_ns, end_ns, _NEVER_ON_A_CPU - woken.cpu))
            return found
        pid = waker


def _running(events: Sequence[Event], at: Event) -> tuple[int, bool]:
    """The process on an event's CPU at that event, -1 where unknown; and whether an interrupt was open there."""
    task, depth = -1, 0
    for event in events:
        if event is at:
            break
        if event.cpu != at.cpu:
            continue
        if event.kind == Happening.SWITCH:
            task, depth = event.number, 0
        elif event.kind in _ENTRIES:
            depth += 1
        elif event.kind in _EXITS:
            depth = max(0, depth - 1)
    return task, depth > 0


_ENTRIES: Final = frozenset({Happening.IRQ_ENTRY, Happening.SOFTIRQ_ENTRY, Happening.OWN_ENTRY})
_EXITS: Final = frozenset({Happening.IRQ_EXIT, Happening.SOFTIRQ_EXIT, Happening.OWN_EXIT})


def _waited(events: Sequence[Event], wait: _Wait, answering: int, ours: Mapping[int, str]) -> list[Span]:
    """Split one link: what the CPU did on which its process waited or ran."""
    cpus: dict[int, _Cpu] = {}
    spans, since = [], wait.start_ns
    link = _Link(wait.pid, _NEVER_ON_A_CPU - wait.pid if wait.pid <= _NEVER_ON_A_CPU else _first_cpu(events, wait))
    for event in events:
        if event.at_ns >= wait.end_ns:
            break
        if event.at_ns > since:
            spans.append(Span(since, event.at_ns, link.owner(cpus, answering, ours)))
            since = event.at_ns
        _take(cpus.setdefault(event.cpu, _Cpu()), event)
        link.take(event)
    spans.append(Span(since, wait.end_ns, link.owner(cpus, answering, ours)))
    return spans


@dataclass(slots=True)
class _Link:
    """The process that is waited for: where it is, and whether it could run, runs, or is held back."""

    pid: int
    where: int
    runnable: bool = False
    running: bool = False
    throttled: bool = False
    priority: int = 0

    def take(self, event: Event) -> None:
        """Let one event change it."""
        if event.kind == Happening.WAKEUP and event.number == self.pid:
            self.runnable, self.priority = True, event.priority
            if not self.running:
                self.where = event.before
        elif event.kind == Happening.SWITCH and event.number == self.pid:
            self.runnable = self.running = True
            self.throttled, self.priority, self.where = False, event.priority, event.cpu
        elif event.kind == Happening.SWITCH:
            self._switched(event)

    def _switched(self, event: Event) -> None:
        if event.before == self.pid:
            self.running, self.runnable = False, event.before_state & _RUNNABLE == 0
            self.priority, self.where = event.before_priority, event.cpu
        if event.cpu == self.where and self.runnable and not self.running:
            # The scheduler passed it over for something with less right to the CPU.
            less = self.priority < REAL_TIME and event.priority > self.priority
            self.throttled = not event.number or less

    def owner(self, cpus: Mapping[int, _Cpu], answering: int, ours: Mapping[int, str]) -> Owner:
        """Who has the CPU that it waits for, or that it runs on."""
        cpu = cpus.get(self.where)
        if cpu is None:
            return UNKNOWN
        if cpu.open:
            return cpu.open[-1]
        return THROTTLED if self.throttled and not self.running else _of_task(cpu, answering, ours)


def _first_cpu(events: Sequence[Event], wait: _Wait) -> int:
    """The CPU a process is on or waits for when a link begins, by the first event that tells."""
    for event in events:
        if event.kind == Happening.SWITCH and wait.pid in (event.number, event.before):
            return event.cpu
        if event.kind == Happening.WAKEUP and event.number == wait.pid:
            return event.before
    return _NEVER_ON_A_CPU


def _take(cpu: _Cpu, event: Event) -> None:
    """Let one event change what its CPU does."""
    kind = event.kind
    if kind == Happening.SWITCH:
        # No switch happens within an interrupt: whatever seems open has lost its end.
        cpu.task, cpu.name, cpu.open = event.number, event.name, []
    elif kind == Happening.IDLE:
        cpu.idle = cpu.idle if event.number == AWAKE else event.number
    elif kind == Happening.IRQ_ENTRY:
        owner = INPUT if event.name == OUR_LINES else Owner("interrupt", event.number, event.name)
        cpu.open.append(owner)
    elif kind == Happening.SOFTIRQ_ENTRY:
        cpu.open.append(Owner("softirq", event.number, _named(SOFTIRQS, event.number)))
    elif kind == Happening.OWN_ENTRY:
        cpu.open.append(Owner("processor", event.number, event.name))
    elif kind in _EXITS and cpu.open:
        cpu.open.pop()


def _of_task(cpu: _Cpu, answering: int, ours: Mapping[int, str]) -> Owner:
    if cpu.task is None:
        return UNKNOWN
    if cpu.task == 0:
        return Owner("idle", cpu.idle, "")
    if cpu.task == answering:
        return ANSWERING
    if cpu.task in ours:
        return Owner("ours", 0, ours[cpu.task])
    # A kernel thread's name is cut at 15 characters.
    if cpu.name.startswith("irq/") and OUR_LINES.startswith(cpu.name.partition("-")[2] or "?"):
        return INPUT
    return Owner("process", 0, cpu.name)


def _named(names: Sequence[str], number: int) -> str:
    return names[number] if number < len(names) else str(number)


def _joined(spans: Iterable[Span]) -> list[Span]:
    found: list[Span] = []
    for span in spans:
        if span.end_ns <= span.start_ns:
            continue
        if found and found[-1].owner == span.owner and found[-1].end_ns == span.start_ns:
            found[-1] = Span(found[-1].start_ns, span.end_ns, span.owner)
        else:
            found.append(span)
    return found
