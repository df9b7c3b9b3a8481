"""An independent witness: what the board's kernel itself traces of its outputs, in its monotonic clock.

The kernel's ring buffer is read raw, because its text form rounds to microseconds.
Layout: Documentation/trace/ring-buffer-map.rst, tracefs files `events/header_page` and `events/header_event`.
"""

from __future__ import annotations

import contextlib
import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from tests.virtual_board.board import VirtualBoard
from tests.virtual_board.errors import BoardError

TRACING = "/sys/kernel/tracing"
PAGE = 4096
_PADDING, _TIME_EXTEND, _TIME_STAMP = 29, 30, 31
_LENGTH = (1 << 20) - 1  # the upper bits of a page's commit word are flags

_START = f"""
cd {TRACING} && echo 0 > tracing_on && echo 8192 > buffer_size_kb && echo mono > trace_clock && echo > trace &&
echo 'get == 0' > events/gpio/gpio_value/filter && echo 1 > events/gpio/gpio_value/enable && echo 1 > tracing_on
"""
_STOP = f"cd {TRACING} && echo 0 > tracing_on && echo 0 > events/gpio/gpio_value/enable"
_READ = f"cd {TRACING}/per_cpu/cpu0 && grep -q '^overrun: 0$' stats && dd if=trace_pipe_raw bs={PAGE} iflag=nonblock"
_BASE = "for c in /sys/class/gpio/gpiochip*; do [ $(cat $c/label) = {label} ] && cat $c/base $c/ngpio; done; true"

Ints = npt.NDArray[np.int64]


@dataclass(slots=True)
class OutputTrace:
    """What was written to the chip's outputs, in order; filled when the recording ends.

    Attributes:
        time_ns: shape (n,), the board's monotonic clock.
        offset: shape (n,), line within the chip.
        level: shape (n,), 0 or 1, as written (writing the level that a line already has is an entry too).
    """

    time_ns: Ints = field(default_factory=lambda: np.empty(0, np.int64))
    offset: Ints = field(default_factory=lambda: np.empty(0, np.int64))
    level: Ints = field(default_factory=lambda: np.empty(0, np.int64))

    def changes(self, offset: int) -> tuple[Ints, Ints]:
        """Times in ns of one output's rises and of its falls, taking it to be low at first."""
        of_line = self.offset == offset
        level, time_ns = self.level[of_line], self.time_ns[of_line]
        step = np.diff(level, prepend=0)
        return time_ns[step > 0], time_ns[step < 0]


@dataclass(frozen=True, slots=True)
class Layout:
    """Where a gpio_value entry has its 32-bit fields; PREEMPT_RT kernels have a longer head."""

    gpio: int
    value: int

    @classmethod
    def parse(cls, text: str) -> Layout:
        """Reads the tracepoint's own `format` file. Raises: ValueError: a field is missing or not 32 bits long."""
        found = dict(re.findall(r"field:[^;]*\b(gpio|value);\s*offset:(\d+);\s*size:4;", text))
        if set(found) != {"gpio", "value"}:
            raise ValueError(f"the tracepoint gpio_value has no 32-bit fields gpio and value: {text!r}")
        return cls(gpio=int(found["gpio"]), value=int(found["value"]))


def parse_pages(raw: bytes, layout: Layout) -> tuple[Ints, Ints, Ints]:
    """Reads ring buffer pages of gpio_value events.

    Args:
        raw: whole pages.
        layout: of the events.

    Returns: time in ns, global GPIO number, value written; each of shape (n,).

    Raises: ValueError: not whole pages, or an entry runs over its page's end.
    """
    if len(raw) % PAGE:
        raise ValueError(f"{len(raw)} bytes are no whole number of {PAGE}-byte pages")
    rows = [row for start in range(0, len(raw), PAGE) for row in _parse_page(raw[start : start + PAGE], layout)]
    table = np.array(rows, dtype=np.int64).reshape(-1, 3)
    return table[:, 0], table[:, 1], table[:, 2]


def _parse_page(page: bytes, layout: Layout) -> Iterator[tuple[int, int, int]]:
    time_ns, commit = struct.unpack_from("<QQ", page)
    end = 16 + (commit & _LENGTH)
    at = 16
    least = max(layout.gpio, layout.value) + 4
    if end > PAGE:
        raise ValueError(f"a page says that it holds {end - 16} bytes")
    while at < end:
        if at + 8 > end:
            raise ValueError(f"an entry at byte {at} has no room in its page")
        head, word = struct.unpack_from("<II", page, at)
        kind, delta = head & 31, head >> 5
        if kind == _PADDING:
            if delta == 0:
                return
            at += 4 + word
        elif kind in (_TIME_EXTEND, _TIME_STAMP):
            wide = word << 27 | delta
            time_ns = wide if kind == _TIME_STAMP else time_ns + wide
            at += 8
        else:
            time_ns += delta
            body, size = (at + 4, kind * 4) if kind else (at + 8, word - 4)
            if size < least or body + size > end:
                raise ValueError(f"an entry at byte {at} has {size} bytes, from {least} to its page's end expected")
            (gpio,) = struct.unpack_from("<I", page, body + layout.gpio)
            (value,) = struct.unpack_from("<i", page, body + layout.value)
            yield time_ns, gpio, value
            at = body + size


@contextlib.contextmanager
def watching_outputs(board: VirtualBoard) -> Iterator[OutputTrace]:
    """Records everything written to the outputs of the board's chip.

    Yields: a trace, empty until the block is left.

    Raises: BoardError: the kernel's buffer overflowed, or the board failed.
    """
    base, count = (int(word) for word in board.run(_BASE.format(label=board.chip_label), 30).split())
    layout = Layout.parse(board.run(f"cat {TRACING}/events/gpio/gpio_value/format", 30, root=True))
    trace = OutputTrace()
    board.run(_START, 30, root=True)
    try:
        yield trace
    finally:
        board.run(_STOP, 30, root=True)
    raw = board.run_bytes(f"{_READ} 2>/run/dd.log; grep -q 'temporarily unavailable' /run/dd.log", 60, root=True)
    try:
        time_ns, gpio, value = parse_pages(raw, layout)
    except ValueError as error:
        raise BoardError(f"the board's trace cannot be read: {error}") from error
    ours = (gpio >= base) & (gpio < base + count)
    trace.time_ns, trace.offset, trace.level = time_ns[ours], gpio[ours] - base, value[ours]
