"""A run cut into pieces that fit into memory, each with enough around it to be paired as in the whole run.

A piece holds the stimuli that count in it and, on either side, as many more as pairing looks at. What lies on the edge
of one piece is well inside the context of the next, so that both read it alike.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Int64s, Places
from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.storage.stamps import BoardStamps, SourceStamps

Edges = tuple[Int64s, Int64s, Int64s]

STIMULI: Final = 1_000_000
CONTEXT: Final = 10_000
WINDOWS: Final = 3
# Before and after any stamp.
EARLIEST, LATEST = -(2**62), 2**62


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """Edges of the source's clock, int64 nanoseconds, each column sorted.

    Attributes:
        stimulus_ns, rise_ns, fall_ns: with their context.
        own: which of the stimuli count here.
        from_ns, to_ns: an edge that belongs to no stimulus counts here from the first up to the second.
    """

    stimulus_ns: Int64s
    rise_ns: Int64s
    fall_ns: Int64s
    own: slice
    from_ns: int
    to_ns: int

    @property
    def edges(self) -> Edges:
        """Stimuli, rises and falls."""
        return self.stimulus_ns, self.rise_ns, self.fall_ns

    @property
    def first(self) -> bool:
        """Whether it is the first of the run."""
        return self.from_ns == EARLIEST

    @property
    def last(self) -> bool:
        """Whether it is the last of the run."""
        return self.to_ns == LATEST


def cut(
    parts: Iterable[SourceStamps], window_ns: int, stimuli: int = STIMULI, context: int = CONTEXT
) -> Iterator[Piece]:
    """Cut a run, read part by part.

    Args:
        parts: rows in order of time.
        window_ns: an answer comes at most this long after its stimulus; the context reaches over three of them.
        stimuli: how many count in a piece; the last one has up to twice as many.
        context: fewest stimuli on either side.

    Returns:
        At least one piece; together they hold every stimulus once.
    """
    none = np.empty(0, np.int64)
    held: Edges = (none, none, none)
    first, from_ns = 0, EARLIEST
    waiting: list[SourceStamps] = []
    rows = 0
    for part in parts:
        waiting.append(part)
        rows += len(part.stimulus_ns)
        if rows < stimuli:
            continue
        held, waiting, rows = _longer(held, waiting), [], 0
        while (stop := _ready(held[0], first + stimuli, context, window_ns)) is not None:
            to_ns = int(held[0][stop])
            yield Piece(*held, slice(first, stop), from_ns, to_ns)
            begin = min(max(stop - context, 0), int(np.searchsorted(held[0], to_ns - WINDOWS * window_ns)))
            start_ns = held[0][begin]
            begin = int(np.searchsorted(held[0], start_ns))
            stimulus, rise, fall = (column[np.searchsorted(column, start_ns) :] for column in held)
            held = (stimulus, rise, fall)
            first, from_ns = stop - begin, to_ns
    held = _longer(held, waiting)
    yield Piece(*held, slice(first, len(held[0])), from_ns, LATEST)


def _ready(stimulus: Int64s, stop: int, context: int, window_ns: int) -> int | None:
    """Where the piece that should end at `stop` can end, once enough is known of what follows."""
    # Stimuli at one time must not be torn apart.
    while stop < len(stimulus) and stimulus[stop] == stimulus[stop - 1]:
        stop += 1
    known = stop + context < len(stimulus) and stimulus[-1] >= stimulus[stop] + WINDOWS * window_ns
    return stop if known else None


def _longer(held: Edges, waiting: list[SourceStamps]) -> Edges:
    edges = SourceStamps.concatenate(waiting).edges()
    stimulus, rise, fall = (_in_order(np.concatenate(pair)) for pair in zip(held, edges, strict=True))
    return stimulus, rise, fall


def _in_order(times: Int64s) -> Int64s:
    return np.sort(times) if (times[1:] < times[:-1]).any() else times


class BoardFeed:
    """The board's rows that have a stamp of their edge, in order of it, read as far as they are asked for."""

    def __init__(self, parts: Iterable[BoardStamps]) -> None:
        self._parts = iter(parts)
        self._held = BoardStamps.concatenate([])
        self._ended = False

    def beginning(self, rows: int) -> BoardStamps:
        """The first rows, so many or all there are."""
        while len(self._held.edge_ns) < rows and not self._ended:
            self._read(rows - len(self._held.edge_ns))
        return _rows(self._held, slice(rows))

    def between(self, low_ns: int, high_ns: int) -> BoardStamps:
        """Rows with an edge from the first time up to the second; earlier ones are let go."""
        while not self._ended and (not len(self._held.edge_ns) or self._held.edge_ns[-1] <= high_ns):
            self._read(CONTEXT)
        edge = self._held.edge_ns
        self._held = _rows(self._held, slice(int(np.searchsorted(edge, low_ns)), None))
        return _rows(self._held, slice(int(np.searchsorted(self._held.edge_ns, high_ns, side="right"))))

    def _read(self, rows: int) -> None:
        parts, count = [self._held], 0
        while count < rows:
            part = next(self._parts, None)
            if part is None:
                self._ended = True
                break
            stamped = part.edge_ns != NO_STAMP
            parts.append(part if stamped.all() else _rows(part, stamped))
            count += len(parts[-1].edge_ns)
        held = BoardStamps.concatenate(parts)
        if (held.edge_ns[1:] < held.edge_ns[:-1]).any():
            held = _rows(held, np.argsort(held.edge_ns, kind="stable"))
        self._held = held


def _rows(stamps: BoardStamps, chosen: slice | Bools | Places) -> BoardStamps:
    return BoardStamps(*(column[chosen] for column in stamps.columns()))
