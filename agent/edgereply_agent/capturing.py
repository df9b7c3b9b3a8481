"""Edges of lines that are only watched: kernel stamps into rows, both edges of one line told apart.

With both edges enabled the kernel takes an event's id from the level it reads later, in the interrupt's thread. A
pulse shorter than that delay gives two events of one id, or one event for both edges. Stamps are taken in the interrupt
itself: two events have the right ones, but the one event that both edges merged into has that of the second edge, and
nothing tells whether its id belongs to the one or the other. A line for each edge avoids all of this.
"""

from __future__ import annotations

from typing import Callable, Sequence

from .ring import COUNT, MASK, SEQNO, Ring
from .routes.base import FALLING, RISING, InputLine

STIMULUS, RISE, FALL, FALL_LOST = 1, 2, 3, 4
SETTLE_NS = 1_000_000

Emit = Callable[[int, int, int], None]


class TwoEdges:
    """Tells rise and fall apart by order where ids contradict it.

    An event whose id says the level is back already is held until the next one: if that comes within `SETTLE_NS` and
    has the same id, the two are the two edges of a short pulse; otherwise both edges merged into the one event, and
    the one that left no stamp is counted as lost (`FALL_LOST`; no row for a lost rise: that event is the rise).

    Args:
        emit: takes kind, stamp in ns, sequence number.
        level: level before the first event.
    """

    def __init__(self, emit: Emit, level: int = 0) -> None:
        self._emit = emit
        self._level = level
        self._held: tuple[int, int, int] = (0, 0, 0)

    def feed(self, at_ns: int, kind: int, seqno: int) -> None:
        """Take the kernel's next event."""
        if self._held[1]:
            held_ns, held_kind, held_seqno = self._held
            if kind == held_kind and at_ns - held_ns < SETTLE_NS:
                self._held = (0, 0, 0)
                self._edge(held_ns, held_seqno)
                self._edge(at_ns, seqno)
                return
            self._merged()
        level = 1 if kind == RISING else 0
        if level == self._level:
            self._held = (at_ns, kind, seqno)
        else:
            self._edge(at_ns, seqno)

    def settle(self, now_ns: int) -> None:
        """Decide about a held event once no partner can come any more."""
        if self._held[1] and now_ns - self._held[0] >= SETTLE_NS:
            self._merged()

    def _edge(self, at_ns: int, seqno: int) -> None:
        self._level ^= 1
        self._emit(RISE if self._level else FALL, at_ns, seqno)

    def _merged(self) -> None:
        at_ns, kind, seqno = self._held
        self._held = (0, 0, 0)
        if kind == FALLING:
            self._emit(RISE, at_ns, seqno)
            self._emit(FALL_LOST, at_ns, seqno)
        else:
            self._emit(FALL_LOST, at_ns, seqno)
            self._emit(RISE, at_ns, seqno)


class Capture:
    """Reads several lines into one ring; in the worker process only.

    Args:
        lines: each line with the kind its rising edge has (`STIMULUS`, or `RISE` for lines with both edges, or `FALL`
            for a line of falling edges).
        ring: where rows (stamp, kind, sequence number) go.
        level: level of a two-edged line at the start.
    """

    def __init__(self, lines: Sequence[tuple[InputLine, int, bool]], ring: Ring, level: int = 0) -> None:
        self._lines = lines
        self.record = ring.recorder()
        self._cells = ring.cells
        self._last = [line.flush() for line, _, _ in lines]
        self._count = 0
        self._two_edges = TwoEdges(lambda kind, at_ns, seqno: self.record(at_ns, kind, seqno), level)

    def take(self) -> int:
        """Read all events that wait.

        Returns:
            How many there were.
        """
        taken = 0
        for index, (line, kind, both) in enumerate(self._lines):
            while line.ready() == line.expected:
                event = line.read()
                if not event:
                    break
                at_ns, edge, seqno, _ = line.decode(event)
                if both:
                    self._two_edges.feed(at_ns, edge, seqno)
                else:
                    self.record(at_ns, kind, seqno)
                taken += 1
                # Numbers the lines skipped add up to what was lost; the cells hold what should have come and what did.
                self._cells[SEQNO] = (self._cells[SEQNO] + seqno - self._last[index]) & MASK
                self._last[index] = seqno
        self._count = (self._count + taken) & MASK
        self._cells[COUNT] = self._count
        return taken

    def settle(self, now_ns: int) -> None:
        """See `TwoEdges.settle`."""
        self._two_edges.settle(now_ns)
