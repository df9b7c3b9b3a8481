"""Stamp blocks: many rows of integers as packed little-endian columns.

Layout: ``<BBHIQ`` layout number, column count, zero, rows, index of the first row; then one column after another,
each ``rows`` integers of its type. Layouts are never changed, only added.
"""

from __future__ import annotations

import struct
import sys
from array import array
from dataclasses import dataclass
from enum import IntEnum

from .errors import LocalError, RemoteError

NO_STAMP = -(2**63)
MAX_ROWS = 16384

_HEAD = struct.Struct("<BBHIQ")


class Layout(IntEnum):
    """What the rows of a block are."""

    ANSWERS = 1
    EVENTS = 2
    TRACE = 3


class TraceKind(IntEnum):
    """What an event of the board's kernel tells; columns that are not named are 0.

    NONE stands where an answer has no event at all. Of interrupts `number` is theirs (of the processor's own, such as
    the local timer's, the place of their name in `OWN_INTERRUPTS`), of softirqs their kind, of a wake-up the process
    woken, with `priority`, `name` and in `before` the CPU it waits for. A switch goes to `number`, `priority`, `name`
    from `before`, `before_priority`, `before_state` (its low byte 0: it could have gone on), `before_name`. Of idle
    `number` is the state, `AWAKE` when it is left; of a frequency kHz. Priorities are the kernel's: lower goes first,
    below 100 is real time.
    """

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


AWAKE = 0xFFFFFFFF
# Interrupts of the processor itself, which some kernels tell apart from those of devices; only ever added to.
OWN_INTERRUPTS = (
    "local_timer", "irq_work", "reschedule", "call_function", "call_function_single", "thermal_apic",
    "x86_platform_ipi", "error_apic", "spurious_apic", "threshold_apic", "deferred_error_apic",
)  # fmt: skip

COLUMNS: dict[Layout, tuple[tuple[str, str], ...]] = {
    # One row an input edge that was answered; board clock.
    Layout.ANSWERS: (
        ("edge_ns", "q"),
        ("wake_ns", "q"),
        ("set_ns", "q"),
        ("clear_ns", "q"),
        ("seqno", "I"),
        ("line_seqno", "I"),
    ),
    # One row a stimulus sent or a response edge captured; kind as in the pulse source's records (1 stimulus, 2 rise,
    # 3 fall).
    Layout.EVENTS: (("kind", "B"), ("at_ns", "q"), ("seqno", "I")),
    # One row an event of the board's kernel beside an answer; board clock. What the columns mean for each kind stands
    # at `TraceKind`; `name` and `before_name` are places in the message's list of names.
    Layout.TRACE: (
        ("kind", "B"),
        ("at_ns", "q"),
        ("cpu", "I"),
        ("number", "I"),
        ("priority", "I"),
        ("name", "I"),
        ("before", "I"),
        ("before_priority", "I"),
        ("before_state", "I"),
        ("before_name", "I"),
    ),
}


@dataclass(frozen=True)
class Block:
    """Rows `first` … `first + rows - 1` of one stream of stamps.

    `columns` maps a column's name to an `array` of its type (`q` int64 nanoseconds, `I` uint32, `B` uint8), all of
    the same length. `NO_STAMP` stands where a time was not taken.
    """

    layout: Layout
    first: int
    columns: dict[str, "array[int]"]

    @property
    def rows(self) -> int:
        """Number of rows."""
        return len(next(iter(self.columns.values())))


def encode_block(block: Block) -> bytes:
    """Pack a block.

    Raises:
        LocalError: columns missing, mistyped or of unequal length, more than `MAX_ROWS` rows, or `first` out of range.
    """
    if block.layout not in COLUMNS:
        raise LocalError(f"there is no stamp layout {block.layout}")
    wanted = COLUMNS[block.layout]
    if sorted(block.columns) != sorted(name for name, _ in wanted):
        raise LocalError(f"a block of {block.layout.name} needs the columns {[name for name, _ in wanted]}")
    rows = block.rows
    if rows > MAX_ROWS or any(len(column) != rows for column in block.columns.values()):
        raise LocalError(f"a block holds at most {MAX_ROWS} rows and columns of one length")
    if not 0 <= block.first < 2**64:
        raise LocalError(f"the first row of a block cannot be number {block.first}")
    parts = [_HEAD.pack(block.layout, len(wanted), 0, rows, block.first)]
    for name, code in wanted:
        column = block.columns[name]
        if not isinstance(column, array) or column.typecode != code:
            found = getattr(column, "typecode", type(column).__name__)
            raise LocalError(f"column {name} must be an array of type {code!r}, not {found!r}")
        parts.append(_little(column).tobytes())
    return b"".join(parts)


def decode_block(data: bytes) -> Block:
    """Unpack a block.

    Raises:
        RemoteError: unknown layout or sizes that do not fit.
    """
    if len(data) < _HEAD.size:
        raise RemoteError(f"a stamp block of {len(data)} bytes is shorter than its head")
    number, count, zero, rows, first = _HEAD.unpack_from(data)
    try:
        layout = Layout(number)
    except ValueError:
        raise RemoteError(f"unknown stamp layout {number}: the agent is newer than this program") from None
    wanted = COLUMNS[layout]
    size = _HEAD.size + rows * sum(array(code).itemsize for _, code in wanted)
    if count != len(wanted) or zero or rows > MAX_ROWS or size != len(data):
        raise RemoteError(f"a stamp block of {rows} rows must be {size} bytes, got {len(data)}")
    columns: dict[str, array[int]] = {}
    at = _HEAD.size
    for name, code in wanted:
        column: array[int] = array(code)
        end = at + rows * column.itemsize
        column.frombytes(data[at:end])
        columns[name] = _little(column)
        at = end
    return Block(layout, first, columns)


def _little(column: "array[int]") -> "array[int]":
    if sys.byteorder == "big":
        column = array(column.typecode, column)
        column.byteswap()
    return column
