"""Five-byte records of a pulse source, and ticks on one unbroken time axis."""

from __future__ import annotations

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s, Uint8s, Uint32s
from edgereply.sources.base import SourceBatch
from edgereply.storage.stamps import OVERLAP_NS

TIME_MARK = 5
RECORDS_LOST = 6
RECORD_BYTES = 5
BLOCK_RECORDS = 18

_RECORD = np.dtype([("kind", "u1"), ("value", "<u4")])
_WRAP = 1 << 32
_FAR_S = 10


class RecordError(ValueError):
    """Records that no source can have sent."""


def decode(data: bytes) -> tuple[Uint8s, Uint32s]:
    """Take records apart.

    Args:
        data: whole records of five bytes.

    Returns:
        kind uint8[n], value uint32[n].

    Raises:
        RecordError: half a record, or a kind that does not exist.
    """
    if len(data) % RECORD_BYTES:
        raise RecordError(f"{len(data)} bytes are no whole number of records of {RECORD_BYTES} bytes")
    table = np.frombuffer(data, dtype=_RECORD)
    kind = np.ascontiguousarray(table["kind"])
    bad = (kind < 1) | (kind > RECORDS_LOST)
    if bad.any():
        raise RecordError(f"no record is of kind {int(kind[bad][0])}")
    return kind, table["value"].astype(np.uint32)


def ns_from_ticks(ticks: Int64s, tick_hz: int) -> Int64s:
    """Convert ticks to ns.

    Args:
        ticks: int64[n], unwrapped.
        tick_hz: ticks a second.

    Returns:
        int64[n], ticks · 10⁹ // tick_hz, without the overflow the plain product has after minutes.
    """
    whole, part = np.divmod(ticks, tick_hz)
    result: Int64s = whole * 1_000_000_000 + part * 1_000_000_000 // tick_hz
    return result


class TickTimeline:
    """Puts the 32-bit ticks of one run on one axis.

    A run opens with a time mark and has one each second, and records are out of order by less
    than 1 ms; so each tick lies closer to the latest one seen than half a wrap, and closer than
    10 s unless records were lost.

    Args:
        tick_hz: ticks a second of the source.

    Attributes:
        marks: time marks seen so far.
    """

    def __init__(self, tick_hz: int) -> None:
        self.marks = 0
        self._tick_hz = tick_hz
        self._slack = -(-OVERLAP_NS * tick_hz // 1_000_000_000)
        self._far = _FAR_S * tick_hz
        self._latest: int | None = None

    def copy(self) -> TickTimeline:
        """Returns: another timeline that goes on from here."""
        twin = TickTimeline(self._tick_hz)
        twin.marks, twin._latest = self.marks, self._latest
        return twin

    def batch(self, data: bytes, done: bool = False) -> SourceBatch:
        """Decode records that follow those of the call before.

        Args:
            data: whole records; may be empty.
            done: whether the run is over with them.

        Returns:
            The edges among them, sorted by time.

        Raises:
            RecordError: no time mark came first, or a tick lies before those already seen or far
                after them.
        """
        kind, value = decode(data)
        is_loss = kind == RECORDS_LOST
        lost = int(value[is_loss].sum(dtype=np.int64))
        kind, value = kind[~is_loss], value[~is_loss]
        ticks = self._unwrap(kind, value, self._far if not lost else _WRAP)
        is_mark = kind == TIME_MARK
        self.marks += int(is_mark.sum())
        kind, ticks = kind[~is_mark], ticks[~is_mark]
        order = np.argsort(ticks, kind="stable")
        return SourceBatch(kind=kind[order], at_ns=ns_from_ticks(ticks[order], self._tick_hz), lost=lost, done=done)

    def _unwrap(self, kind: Uint8s, value: Uint32s, far: int) -> Int64s:
        if not len(kind):
            return np.empty(0, dtype=np.int64)
        if self._latest is None:
            if kind[0] != TIME_MARK:
                raise RecordError(f"a run opens with a time mark, not with a record of kind {int(kind[0])}")
            self._latest = int(value[0])
        steps = np.diff(value, prepend=np.uint32(self._latest % _WRAP)).astype(np.int32).astype(np.int64)
        if int(steps.max()) > far:
            raise RecordError(f"a stamp lies {int(steps.max())} ticks after the one before")
        ticks = self._latest + np.cumsum(steps)
        latest = np.maximum.accumulate(np.maximum(ticks, self._latest))
        behind = int((latest - ticks).max())
        if behind > self._slack:
            raise RecordError(f"a stamp lies {behind} ticks before one that was sent earlier")
        self._latest = int(latest[-1])
        return ticks
