"""Raw stamps as columns, and how a stream of edges becomes rows: one row a stimulus."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final, Self

import numpy as np
from numpy.typing import NDArray

from edgereply.analysis.arrays.aliases import Int64s, Uint8s, Uint32s
from edgereply.analysis.arrays.presence import NO_STAMP, present

Columns = tuple[NDArray[Any], ...]

# What an edge of the source's stream is. FALL_LOST says that an answer ended and its fall was not seen.
STIMULUS, RISE, FALL, FALL_LOST = 1, 2, 3, 4
# A source cannot tell more than this apart when it merges two kinds of edge into one stream: batches may overlap by
# less than it.
OVERLAP_NS = 1_000_000
_SOURCE_TYPES: Final = (np.int64,) * 3
_BOARD_TYPES: Final = (np.int64,) * 4 + (np.uint32,) * 2
_OBSERVED_TYPES: Final = (np.int64, np.uint8, np.uint32)


@dataclass(frozen=True, slots=True)
class SourceStamps:
    """Rows of the pulse source's clock, int64 nanoseconds, `NO_STAMP` where there is none.

    `rise_ns` and `fall_ns` of a row are the first seen after its stimulus and before the next one; further edges
    before the next stimulus have rows of their own without a stimulus. That is a layout, not a pairing.
    """

    stimulus_ns: Int64s
    rise_ns: Int64s
    fall_ns: Int64s

    @classmethod
    def concatenate(cls, parts: Sequence[Self]) -> Self:
        """Rows of all parts in order."""
        return cls(*_join([part.columns() for part in parts], _SOURCE_TYPES))

    @classmethod
    def gathered(cls, parts: Iterable[Self], rows: int) -> Self:
        """The same, of parts with so many rows together; each part is let go once its rows are taken."""
        return cls(*_gather((part.columns() for part in parts), rows, _SOURCE_TYPES))

    def columns(self) -> tuple[NDArray[Any], ...]:
        """All columns in their order."""
        return self.stimulus_ns, self.rise_ns, self.fall_ns

    def edges(self) -> tuple[Int64s, Int64s, Int64s]:
        """All stimuli, all rises, all falls, each sorted."""
        stimulus, rise, fall = (_sorted(present(c)) for c in (self.stimulus_ns, self.rise_ns, self.fall_ns))
        return stimulus, rise, fall


@dataclass(frozen=True, slots=True)
class BoardStamps:
    """Rows of the board's clock: one an answered edge; int64 nanoseconds and uint32 event sequence numbers."""

    edge_ns: Int64s
    wake_ns: Int64s
    set_ns: Int64s
    clear_ns: Int64s
    seqno: Uint32s
    line_seqno: Uint32s

    @classmethod
    def concatenate(cls, parts: Sequence[Self]) -> Self:
        """Rows of all parts in order."""
        return cls(*_join([part.columns() for part in parts], _BOARD_TYPES))

    @classmethod
    def gathered(cls, parts: Iterable[Self], rows: int) -> Self:
        """The same, of parts with so many rows together; each part is let go once its rows are taken."""
        return cls(*_gather((part.columns() for part in parts), rows, _BOARD_TYPES))

    def columns(self) -> tuple[NDArray[Any], ...]:
        """All columns in their order."""
        return self.edge_ns, self.wake_ns, self.set_ns, self.clear_ns, self.seqno, self.line_seqno


@dataclass(frozen=True, slots=True)
class ObservedEdges:
    """Edges that the agent only watched, as the kernel stamped them: one row an edge, the board's clock.

    `at_ns` is int64 nanoseconds; `kind` uint8: 1 rise of the stimulus tap, 2 rise and 3 fall of the response tap,
    4 fall of the response tap that left no stamp of its own (`at_ns` is then its rise's); `seqno` uint32, the event's
    number in its line's request.
    """

    at_ns: Int64s
    kind: Uint8s
    seqno: Uint32s

    @classmethod
    def concatenate(cls, parts: Sequence[Self]) -> Self:
        """Rows of all parts in order."""
        return cls(*_join([part.columns() for part in parts], _OBSERVED_TYPES))

    @classmethod
    def gathered(cls, parts: Iterable[Self], rows: int) -> Self:
        """The same, of parts with so many rows together; each part is let go once its rows are taken."""
        return cls(*_gather((part.columns() for part in parts), rows, _OBSERVED_TYPES))

    def columns(self) -> tuple[NDArray[Any], ...]:
        """All columns in their order."""
        return self.at_ns, self.kind, self.seqno

    def of(self, kind: int) -> Int64s:
        """All stamps of one kind, sorted."""
        return np.sort(self.at_ns[self.kind == kind])


class RowBuilder:
    """Turns batches of edges into rows; keeps back what later edges may still belong to. Not thread-safe."""

    def __init__(self) -> None:
        self._kind = np.empty(0, np.uint8)
        self._at = np.empty(0, np.int64)

    def feed(self, kind: Uint8s, at_ns: Int64s) -> SourceStamps:
        """Add edges, in order but for less than 1 ms; returns the rows that are whole now."""
        self._kind = np.concatenate([self._kind, kind])
        self._at = np.concatenate([self._at, at_ns])
        if not len(self._at):
            return _rows(self._kind, self._at)
        order = np.argsort(self._at, kind="stable")
        self._kind, self._at = self._kind[order], self._at[order]
        settled = self._at <= self._at[-1] - OVERLAP_NS
        last = np.flatnonzero(settled & (self._kind == STIMULUS))
        return self._take(int(last[-1]) if len(last) else 0)

    def finish(self) -> SourceStamps:
        """Rows of everything kept back."""
        return self._take(len(self._at))

    def _take(self, count: int) -> SourceStamps:
        rows = _rows(self._kind[:count], self._at[:count])
        self._kind, self._at = self._kind[count:], self._at[count:]
        return rows


def _rows(kind: Uint8s, at_ns: Int64s) -> SourceStamps:
    stimulus = at_ns[kind == STIMULUS]
    columns = [stimulus]
    extras: list[Int64s] = []
    for wanted in (RISE, FALL):
        times = at_ns[kind == wanted]
        owner = np.searchsorted(stimulus, times, side="right") - 1
        first = (owner >= 0) & (np.diff(owner, prepend=-1) != 0)
        column = np.full(len(stimulus), NO_STAMP, np.int64)
        column[owner[first]] = times[first]
        columns.append(column)
        extras.append(times[~first])
    more = len(extras[0]) + len(extras[1])
    if more:
        empty = np.full(more, NO_STAMP, np.int64)
        rise, fall = empty.copy(), empty.copy()
        rise[: len(extras[0])] = extras[0]
        fall[len(extras[0]) :] = extras[1]
        columns = [np.concatenate(pair) for pair in zip(columns, (empty, rise, fall), strict=True)]
        order = np.argsort(np.max(np.stack([columns[0], _own_time(columns)]), axis=0), kind="stable")
        columns = [column[order] for column in columns]
    return SourceStamps(*columns)


def _sorted(times: Int64s) -> Int64s:
    return np.sort(times) if np.any(times[1:] < times[:-1]) else times


def _own_time(columns: Sequence[Int64s]) -> Int64s:
    """Time by which a row without a stimulus is put in order."""
    return np.where(columns[0] == NO_STAMP, np.maximum(columns[1], columns[2]), NO_STAMP)


def _join(parts: Sequence[Columns], types: Sequence[type]) -> list[NDArray[Any]]:
    return _gather(parts, sum(len(part[0]) for part in parts), types)


def _gather(parts: Iterable[Columns], rows: int, types: Sequence[type]) -> list[NDArray[Any]]:
    columns: list[NDArray[Any]] = [np.empty(rows, kind) for kind in types]
    filled = 0
    for part in parts:
        for column, values in zip(columns, part, strict=True):
            column[filled : filled + len(values)] = values
        filled += len(part[0])
    if filled != rows:
        raise ValueError(f"{rows} rows were announced, {filled} came")
    return columns
