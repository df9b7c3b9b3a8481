"""The record buffer of a virtual pulse source: puts records in order, counts those it must drop."""

from __future__ import annotations

from collections import deque
from struct import Struct

from edgereply.sources.wire_records import BLOCK_RECORDS, RECORDS_LOST

_RECORD = Struct("<BI")


class RecordBuffer:
    """Holds records back until nothing earlier can come any more, then in a ring until taken.

    Responses reach the source some time after they were stamped, so records arrive out of order.

    Args:
        capacity: how many records the ring holds.
        slack: how many ticks a record may lie before one already released.
    """

    def __init__(self, capacity: int, slack: int) -> None:
        self._capacity = capacity
        self._slack = slack
        self._waiting: list[tuple[int, int]] = []
        self._ring: deque[bytes] = deque()
        self._lost = 0
        self._released = -(1 << 62)

    def __len__(self) -> int:
        return len(self._ring)

    def clear(self) -> None:
        """Forget all records and start anew."""
        self._waiting.clear()
        self._ring.clear()
        self._lost = 0
        self._released = -(1 << 62)

    def add(self, kind: int, ticks: int) -> None:
        """Take one record, in any order."""
        self._waiting.append((ticks, kind))

    def release(self, up_to: int) -> None:
        """Put into the ring what was stamped up to a tick.

        A record that comes after all holding back is over, and out of order by more than the
        slack, counts as lost.
        """
        waiting = self._waiting
        waiting.sort()
        ready = 0
        for ticks, kind in waiting:
            if ticks > up_to:
                break
            ready += 1
            if ticks < self._released - self._slack:
                self._lost += 1
                continue
            self._released = max(self._released, ticks)
            self._put(kind, ticks & 0xFFFF_FFFF)
        del waiting[:ready]

    def take(self) -> bytes:
        """Returns: the oldest records as bytes, at most a block of them, removed."""
        ring = self._ring
        return b"".join([ring.popleft() for _ in range(min(BLOCK_RECORDS, len(ring)))])

    def _put(self, kind: int, value: int) -> None:
        ring = self._ring
        if len(ring) + (self._lost > 0) >= self._capacity:
            self._lost += 1
            return
        if self._lost:
            ring.append(_RECORD.pack(RECORDS_LOST, min(self._lost, 0xFFFF_FFFF)))
            self._lost = 0
        ring.append(_RECORD.pack(kind, value))
