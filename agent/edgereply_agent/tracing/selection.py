"""Which answers are looked at: late ones, within limits, and a few usual ones to compare with.

Late is what comes after the deadline, or later than most of those before it: the lesser of two limits, Tukey's outer
fence (the third quartile and three times the distance to the first; Exploratory Data Analysis, 1977) and the 99 %
quantile. The fence alone would find nothing in a run whose tail is even, the quantile alone a hundredth of a run of
which a fifth is held up. Both move with the run, over the last `RECENT` answers.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Optional

from edgereply_agent.ring import HEAD, HEADER, MASK, ROWS, Ring
from edgereply_protocol import Layout

LATE, USUAL = "late", "usual"
RECENT, FEWEST = 2000, 50
# At most so many answers a look and a run. A look takes place four times a second.
LATE_A_LOOK, LATE_A_RUN = 25, 4000
USUAL_EVERY, USUAL_A_RUN = 2, 400
STIMULUS, RISE = 1, 2


@dataclass(frozen=True)
class Wanted:
    """An answer whose events are wanted; board clock, ns."""

    edge_ns: int
    set_ns: int
    why: str


class Answers:
    """Reads the rows of a task's ring beside the session, which takes them out: nothing is written.

    Args:
        ring: of answers, or of edges that are only watched.
    """

    def __init__(self, ring: Ring) -> None:
        self._ring, self._row = ring, struct.Struct(ROWS[ring.layout].format)
        self._taken = self._settled = self._slot = 0
        self._stimulus_ns: Optional[int] = None
        self.passed = 0

    def fresh(self, final: bool = False) -> list[tuple[int, int]]:
        """Edge and answer of each row since the last call; all there are, once the writer has ended."""
        head = self._ring.cells[HEAD]
        until, self._settled = (head if final else self._settled), head
        count = (until - self._taken) & MASK
        if count > self._ring.capacity // 2:
            # Too far behind: the writer may reach what is being read.
            skipped, count = count - self._ring.capacity // 2, self._ring.capacity // 2
            self.passed += skipped
            self._slot = (self._slot + skipped) % self._ring.capacity
        found = self._rows(count)
        self._taken = until
        return self._paired(found) if self._ring.layout is Layout.EVENTS else [(row[0], row[2]) for row in found]

    def _rows(self, count: int) -> list[tuple[int, ...]]:
        found: list[tuple[int, ...]] = []
        size = self._row.size
        while count:
            some = min(count, self._ring.capacity - self._slot)
            data = self._ring.memory[HEADER + self._slot * size : HEADER + (self._slot + some) * size]
            found += self._row.iter_unpack(data)
            self._slot, count = (self._slot + some) % self._ring.capacity, count - some
        return found

    def _paired(self, rows: list[tuple[int, ...]]) -> list[tuple[int, int]]:
        """Each stimulus with the first rise after it; rows are in order of time."""
        found = []
        for at_ns, kind, _ in _events(rows):
            if kind == STIMULUS:
                self._stimulus_ns = at_ns
            elif kind == RISE and self._stimulus_ns is not None:
                found.append((self._stimulus_ns, at_ns))
                self._stimulus_ns = None
        return found


def _events(rows: list[tuple[int, ...]]) -> list[tuple[int, int, int]]:
    """Time, kind and number of rows of edges; the kind's cell is 32 bits wide, with the kind in its low byte."""
    return sorted((row[0], row[1] & 0xFF, row[2]) for row in rows)


class Selection:
    """Says of answers, in the order they came, which are wanted.

    Args:
        deadline_ns: later is late; None where there is none.
    """

    def __init__(self, deadline_ns: Optional[int] = None) -> None:
        self._deadline_ns = deadline_ns
        self._recent: list[int] = []
        self._first: list[tuple[int, int]] = []
        self._looks = 0
        self.late = self.usual = self.too_many = 0

    def limit_ns(self) -> Optional[int]:
        """What counts as late now; None before anything can be said."""
        limits = [] if self._deadline_ns is None else [self._deadline_ns]
        if len(self._recent) >= FEWEST:
            ordered = sorted(self._recent)
            quarter, three, most = (ordered[int(share * (len(ordered) - 1))] for share in (0.25, 0.75, 0.99))
            limits.append(min(three + 3 * (three - quarter), most))
        return min(limits) if limits else None

    def choose(self, answers: list[tuple[int, int]], final: bool = False) -> list[Wanted]:
        """The wanted ones among answers, slowest first; the first answers wait until there is something to judge by."""
        if not final and len(self._recent) + len(self._first) + len(answers) < FEWEST:
            self._first += answers
            return []
        taken = [done - edge for edge, done in answers]
        if not self._recent:
            # The first answers judge themselves; later ones are held against those before them.
            answers, self._first = self._first + answers, []
            self._recent, taken = [done - edge for edge, done in answers], []
        limit = self.limit_ns()
        self._looks += 1
        late = [pair for pair in answers if limit is not None and pair[1] - pair[0] > limit]
        late.sort(key=lambda pair: pair[0] - pair[1])
        most = min(LATE_A_LOOK, LATE_A_RUN - self.late)
        self.too_many += max(0, len(late) - most)
        found = [Wanted(edge, done, LATE) for edge, done in late[:most]]
        self.late += len(found)
        if limit is not None and self._looks % USUAL_EVERY == 0 and self.usual < USUAL_A_RUN:
            usual = next((pair for pair in answers if pair[1] - pair[0] <= limit), None)
            if usual is not None:
                found.append(Wanted(*usual, USUAL))
                self.usual += 1
        self._recent = (self._recent + taken)[-RECENT:]
        return found
