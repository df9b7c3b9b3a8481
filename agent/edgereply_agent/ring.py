"""Rows of stamps in memory shared by two processes: one writes, the other ships blocks.

The head of the memory holds 32-bit cells, each with one writer. Rows are fixed structures behind it. A writer that
runs ahead by the whole capacity keeps working and counts what it could not record.

Rows and the head count are plain stores. On processors that reorder stores a reader could see the count before the
row, so `drain` only takes rows counted at its previous call (milliseconds ago), and everything once the writer has
ended, which orders all its stores.
"""

from __future__ import annotations

import contextlib
import json
import mmap
import os
import struct
import sys
import time
from array import array
from typing import Callable, Literal, Optional

from edgereply_protocol import COLUMNS, MAX_ROWS, Block, Json, Layout

from .errors import AgentError

HEAD, TAIL, COUNT, UNRECORDED, SEQNO, BASE, STOP, CLEAN = range(8)
FAILED = 10  # error number of the system by which a writer without Python ended; 8 and 9 are the emitter's
CASTS: dict[str, Literal["q", "I", "B"]] = {"q": "q", "I": "I", "B": "B"}
ERROR_AT, HEADER = 128, 4096
MASK = 0xFFFFFFFF

ROWS = {Layout.ANSWERS: struct.Struct("=qqqqII"), Layout.EVENTS: struct.Struct("=qII")}
# Where a column starts in a row, in bytes.
PLACES = {
    Layout.ANSWERS: {"edge_ns": 0, "wake_ns": 8, "set_ns": 16, "clear_ns": 24, "seqno": 32, "line_seqno": 36},
    Layout.EVENTS: {"at_ns": 0, "kind": 8 if sys.byteorder == "little" else 11, "seqno": 12},
}


class Ring:
    """One stream of rows. The writer uses `recorder`, the reader everything else.

    Args:
        layout: what the rows are.
        capacity: rows kept until they are drained.
        by_descriptor: a program that the writer's process becomes shall find the memory by `fd`.

    Raises:
        AgentError: no memory.
    """

    def __init__(self, layout: Layout, capacity: int, by_descriptor: bool = False) -> None:
        self.layout, self.capacity = layout, capacity
        self._row = ROWS[layout]
        self.fd = -1
        size = HEADER + capacity * self._row.size
        try:
            if by_descriptor:
                self.fd = os.memfd_create("edgereply-stamps")
                os.ftruncate(self.fd, size)
            self.memory = mmap.mmap(self.fd, size)
        except (OSError, ValueError, OverflowError, MemoryError, AttributeError) as error:
            if self.fd >= 0:
                os.close(self.fd)
            raise AgentError(
                "no-memory", f"no {size} bytes for {capacity} rows: {error}", "capacity", "ask for a smaller capacity"
            ) from error
        self.cells = memoryview(self.memory).cast("I")
        self._taken = 0
        self._settled = 0

    def prefault(self) -> None:
        """Touch every page, so that the writer meets no page fault later."""
        for at in range(HEADER, len(self.memory), mmap.PAGESIZE):
            self.memory[at] = 0

    def recorder(self) -> Callable[..., None]:
        """The function that adds a row: its values in the order of the row's structure."""
        pack, memory, cells, capacity, size = (
            self._row.pack_into,
            self.memory,
            self.cells,
            self.capacity,
            self._row.size,
        )
        head = slot = unrecorded = 0

        def record(*values: int) -> None:
            nonlocal head, slot, unrecorded
            if (head - cells[TAIL]) & MASK >= capacity:
                unrecorded = (unrecorded + 1) & MASK
                cells[UNRECORDED] = unrecorded
                return
            pack(memory, HEADER + slot * size, *values)
            slot = slot + 1 if slot + 1 < capacity else 0
            head = (head + 1) & MASK
            cells[HEAD] = head

        return record

    def drain(self, final: bool = False, limit: int = MAX_ROWS) -> Optional[Block]:
        """Take rows out.

        Args:
            final: the writer has ended: take all there is.
            limit: at most so many rows, and never more than a block holds.

        Returns:
            A block, or None when no row is certain yet.
        """
        head = self.cells[HEAD]
        ready = ((head if final else self._settled) - self._taken) & MASK
        self._settled = head
        slot = self._taken % self.capacity
        rows = min(ready, limit, MAX_ROWS, self.capacity - slot)
        if rows <= 0:
            return None
        block = Block(
            self.layout, self._taken, {name: self._column(name, code, slot, rows) for name, code in self.columns}
        )
        self._taken += rows
        self.cells[TAIL] = self._taken & MASK
        return block

    @property
    def columns(self) -> tuple[tuple[str, str], ...]:
        """Names and type codes of the columns."""
        return COLUMNS[self.layout]

    def _column(self, name: str, code: str, slot: int, rows: int) -> array[int]:
        column = array(code)
        size = column.itemsize
        start = HEADER + slot * self._row.size + PLACES[self.layout][name]
        stop = HEADER + (slot + rows) * self._row.size
        with memoryview(self.memory) as whole, whole.cast(CASTS[code]) as view:
            column.frombytes(view[start // size : stop // size : self._row.size // size].tobytes())
        return column

    def counts(self) -> tuple[int, int, int]:
        """Rows written or meant to be written, edges lost by sequence number, rows not recorded."""
        for _ in range(3):
            count, seqno = self.cells[COUNT], self.cells[SEQNO]
            if count == self.cells[COUNT]:
                break
        lost = (seqno - self.cells[BASE] - count) & MASK if count else 0
        # A count one ahead of its sequence number (the writer was between two stores) looks like 2**32 - 1.
        return count, lost if lost < 1 << 31 else 0, self.cells[UNRECORDED]

    def stop(self) -> None:
        """Ask the writer to end."""
        self.cells[STOP] = 1

    def leave_error(self, report: Json) -> None:
        """Writer: say why it ends."""
        text = json.dumps(report).encode()[: HEADER - ERROR_AT - 4]
        struct.pack_into("=I", self.memory, ERROR_AT, len(text))
        self.memory[ERROR_AT + 4 : ERROR_AT + 4 + len(text)] = text

    def error(self) -> Optional[Json]:
        """Reader: why the writer ended, if it said so."""
        (size,) = struct.unpack_from("=I", self.memory, ERROR_AT)
        if not 0 < size <= HEADER - ERROR_AT - 4:
            return None
        try:
            report = json.loads(self.memory[ERROR_AT + 4 : ERROR_AT + 4 + size])
        except ValueError:
            return None
        return report if isinstance(report, dict) else None

    def close(self) -> None:
        """Give the memory back."""
        self.cells.release()
        self.memory.close()
        if self.fd >= 0:
            with contextlib.suppress(OSError):
                os.close(self.fd)
        self.fd = -1


def board_ns() -> int:
    """The board's clock, CLOCK_MONOTONIC, in ns."""
    return time.monotonic_ns()
