"""The events beside one answer, cut out of a ring's pages.

Pages are kept as they are and only those decoded that a wanted answer touches: on a small board decoding a second of
events takes longer than a second. Before the stretch itself stand the events that say how things were when it began:
on each CPU the last switch, the last idle event and interrupts still open, and where the responder last stopped.
"""

from __future__ import annotations

from collections import deque
from typing import Callable, Iterator, Optional

from edgereply_protocol import TraceKind

from .pages import Decoder, Event, FormatError

BEFORE_NS, AFTER_NS = 100_000, 20_000
# Of one CPU, once they have been taken out of the ring: some 6,000 events.
KEPT_PAGES = 96
MOST_EVENTS = 4000
_ENDS = {
    TraceKind.IRQ_EXIT: TraceKind.IRQ_ENTRY,
    TraceKind.SOFTIRQ_EXIT: TraceKind.SOFTIRQ_ENTRY,
    TraceKind.OWN_EXIT: TraceKind.OWN_ENTRY,
}
_OPENING = frozenset(_ENDS.values())


class Pages:
    """Pages of one CPU in order, the newest kept."""

    def __init__(self, cpu: int, decoder: Decoder) -> None:
        self.cpu, self._decoder = cpu, decoder
        self._pages: deque[bytes] = deque()
        self._decoded: dict[int, list[Event]] = {}
        self._dropped = 0
        self._unread_ns: Optional[int] = None

    def add(self, page: bytes) -> None:
        """Take the next page."""
        self._pages.append(page)

    def trim(self) -> None:
        """Let old pages go, once nobody asks for them any more."""
        while len(self._pages) > KEPT_PAGES:
            self._pages.popleft()
            self._decoded.pop(self._dropped, None)
            self._dropped += 1

    def within(self, from_ns: int, to_ns: int) -> tuple[list[Event], bool]:
        """Events in a stretch of time, and whether none is missing."""
        first, last = self._places(from_ns, to_ns)
        found = [event for place in range(first, last) for event in self._at(place) if from_ns <= event[1] <= to_ns]
        whole = bool(self._pages) and self._decoder.start_ns(self._pages[0]) <= from_ns
        gaps = range(first + 1, last)
        return found, whole and not any(self._decoder.missed(self._pages[place]) for place in gaps)

    def backwards(self, before_ns: int) -> Iterator[Event]:
        """Events before a time, the latest first, as far as they are kept."""
        _, last = self._places(before_ns, before_ns)
        for place in range(last - 1, -1, -1):
            for event in reversed(self._at(place)):
                if event[1] < before_ns:
                    yield event
            if self._decoder.missed(self._pages[place]):
                return

    def _places(self, from_ns: int, to_ns: int) -> tuple[int, int]:
        """The first page that may reach into a stretch, and the first one after it."""
        starts = [self._decoder.start_ns(page) for page in self._pages]
        after = [place for place, start in enumerate(starts) if start > to_ns]
        begun = [place for place, start in enumerate(starts) if start <= from_ns]
        return (begun[-1] if begun else 0), (after[0] if after else len(starts))

    def _at(self, place: int) -> list[Event]:
        key = self._dropped + place
        if key not in self._decoded:
            try:
                self._decoded[key] = list(self._decoder.events(self._pages[place], self.cpu))
            except FormatError:
                self._decoded[key] = []
        return self._decoded[key]


def cut(every: list[Pages], edge_ns: int, set_ns: int, pid: int) -> tuple[list[Event], bool]:
    """The events beside one answer.

    Args:
        every: pages of all CPUs that are recorded.
        edge_ns, set_ns: of the answer.
        pid: the process that answers; 0 where nobody knows.

    Returns:
        Events in order of time, and whether none of them is missing.
    """
    from_ns, to_ns = edge_ns - BEFORE_NS, set_ns + AFTER_NS
    found: list[Event] = []
    whole = True
    for pages in every:
        inside, complete = pages.within(from_ns, to_ns)
        found += _state(pages, from_ns, pid) + inside
        whole = whole and complete
    found.sort(key=lambda event: event[1])
    if len(found) > MOST_EVENTS:
        return found[: MOST_EVENTS // 2] + found[-MOST_EVENTS // 2 :], False
    return found, whole


def _state(pages: Pages, from_ns: int, pid: int) -> list[Event]:
    """The events that say how one CPU was when a stretch began."""
    found: list[Event] = []
    needed: dict[str, Callable[[Event], bool]] = {
        "switch": lambda event: event[0] == TraceKind.SWITCH,
        "idle": lambda event: event[0] == TraceKind.IDLE,
        "answering": lambda event: event[0] == TraceKind.SWITCH and pid in (event[3], event[6]),
        "woken": lambda event: event[0] in (TraceKind.WAKEUP, TraceKind.SWITCH) and pid in (event[3], event[6]),
    }
    if not pid:
        del needed["answering"], needed["woken"]
    closed: list[tuple[int, int]] = []
    for searched, event in enumerate(pages.backwards(from_ns)):
        kind = TraceKind(event[0])
        here = [name for name, wanted in needed.items() if wanted(event)]
        for name in here:
            del needed[name]
        # An interrupt's events come in pairs before the next switch; without a partner it was still open.
        open_now = False
        if "switch" in needed or "switch" in here:
            if kind in _ENDS:
                closed.append((_ENDS[kind], event[3]))
            elif kind in _OPENING:
                open_now = (kind, event[3]) not in closed
                if not open_now:
                    closed.remove((kind, event[3]))
        if here or open_now:
            found.append(event)
        if not needed or searched >= MOST_EVENTS:
            break
    return found
