"""Pages of the kernel's event ring, decoded by what the kernel itself says of them.

A page has the time of its first event, how many bytes are used, and entries: a head of 32 bits (five of them a type or
a length in words, 27 the time since the entry before), then the event as its `format` file describes it. Only fields
that are wanted are looked at, and where they lie is never assumed.

Source: Documentation/trace/ring-buffer-design.rst, the tracefs files `events/header_page`, `events/header_event` and
`events/*/format`; what the types above 28 mean from include/linux/ring_buffer.h.
"""

from __future__ import annotations

import re
import struct
import sys
from typing import Callable, Iterator, Optional

from edgereply_protocol import OWN_INTERRUPTS, TraceKind

PADDING, TIME_EXTEND, TIME_STAMP = 29, 30, 31
USED = (1 << 20) - 1
MISSED = 1 << 31
LITTLE = sys.byteorder == "little"
# kind, at_ns, cpu, number, priority, name, before, before_priority, before_state, before_name
Event = tuple[int, int, int, int, int, bytes, int, int, int, bytes]
_Body = Callable[[bytes, int, int], tuple[int, int, bytes, int, int, int, bytes]]
_FIELD = re.compile(r"field:([^;]*);\s*offset:(\d+);\s*size:(\d+);(?:\s*signed:(\d);)?")
_CODES = {(1, 0): "B", (1, 1): "b", (2, 0): "H", (2, 1): "h", (4, 0): "I", (4, 1): "i", (8, 0): "Q", (8, 1): "q"}
_WORD = 0xFFFFFFFF


class FormatError(Exception):
    """The kernel describes its events in a way that is not understood; the text says where."""


class Decoder:
    """Reads pages of one kernel.

    Args:
        formats: by event, the text of its `format` file; `header_page` as the kernel describes a page.

    Raises:
        FormatError: a field that is needed is missing.
    """

    def __init__(self, formats: dict[str, str]) -> None:
        page = fields(formats["header_page"])
        if not {"timestamp", "commit", "data"} <= set(page):
            raise FormatError("header_page")
        self._used_at, used_size, _ = page["commit"]
        self._used = struct.Struct("=" + _CODES[used_size, 0])
        self.data_at, data_size, _ = page["data"]
        self.page_bytes = self.data_at + data_size
        self._bodies: dict[int, tuple[int, _Body]] = {}
        self._type = struct.Struct("=H")
        for name, text in formats.items():
            if name != "header_page":
                self._learn(name, text)

    def _learn(self, name: str, text: str) -> None:
        number, found = re.search(r"^ID:\s*(\d+)", text, re.MULTILINE), fields(text)
        if number is None or found.get("common_type") != (0, 2, 0):
            raise FormatError(name)
        try:
            kind, body = _body(name, found)
        except KeyError as error:
            raise FormatError(f"{name} without {error}") from error
        self._bodies[int(number.group(1))] = int(kind), body

    def start_ns(self, page: bytes) -> int:
        """The time a page begins at."""
        (at_ns,) = struct.unpack_from("=Q", page, 0)
        assert isinstance(at_ns, int)
        return at_ns

    def missed(self, page: bytes) -> bool:
        """Whether events were lost before this page."""
        return bool(self._used.unpack_from(page, self._used_at)[0] & MISSED)

    def events(self, page: bytes, cpu: int) -> Iterator[Event]:
        """Events of a page that are known, in order of time.

        Raises:
            FormatError: an entry runs over the end of the page.
        """
        at_ns, at = self.start_ns(page), self.data_at
        end = at + (self._used.unpack_from(page, self._used_at)[0] & USED)
        if end > len(page):
            raise FormatError(f"a page that says it holds {end - at} bytes")
        head_of, type_of, bodies = struct.Struct("=I").unpack_from, self._type.unpack_from, self._bodies
        while at + 4 <= end:
            (head,) = head_of(page, at)
            kind, delta = (head & 31, head >> 5) if LITTLE else (head >> 27, head & 0x7FFFFFF)
            if 0 < kind <= 28:
                body, following = at + 4, at + 4 + kind * 4
            else:
                if (kind == PADDING and delta == 0) or at + 8 > end:
                    return
                (word,) = head_of(page, at + 4)
                if kind == TIME_EXTEND:
                    at_ns, at = at_ns + (word << 27) + delta, at + 8
                    continue
                if kind == TIME_STAMP:
                    # The five highest bits are not kept: they are those of the time before.
                    at_ns, at = (at_ns >> 59 << 59) | (word << 27) + delta, at + 8
                    continue
                body, following = at + 8, at + 4 + word
                if kind == PADDING:
                    at = following
                    continue
            if following > end or following <= at:
                raise FormatError(f"an entry at byte {at} that runs over its page")
            at_ns += delta
            known = bodies.get(type_of(page, body)[0])
            if known is not None:
                number, priority, name, before, before_priority, before_state, before_name = known[1](
                    page, body, following
                )
                yield (
                    known[0], at_ns, cpu, number, priority, name, before, before_priority, before_state, before_name
                )  # fmt: skip
            at = following


def fields(text: str) -> dict[str, tuple[int, int, int]]:
    """Fields by name: where they begin, how many bytes they have, whether they are signed."""
    found = {}
    for declared, offset, size, signed in _FIELD.findall(text):
        name = declared.split("[")[0].split()[-1] if "[" in declared.split()[-1] else declared.split()[-1]
        found[name] = (int(offset), int(size), int(signed or 0))
    return found


def _body(name: str, found: dict[str, tuple[int, int, int]]) -> tuple[TraceKind, _Body]:
    """What an event is, and the function that takes it apart."""
    short = name.rpartition("/")[2]
    if name.startswith("irq_vectors/"):
        which, _, end = short.rpartition("_")
        own = OWN_INTERRUPTS.index(which)
        kind = TraceKind.OWN_ENTRY if end == "entry" else TraceKind.OWN_EXIT
        return kind, lambda page, at, stop: (own, 0, b"", 0, 0, 0, b"")
    if short in _NUMBERS:
        kind, field = _NUMBERS[short]
        number = _number(found[field])
        named = _text(found["name"]) if short == "irq_handler_entry" else None
        if named is None:
            return kind, lambda page, at, stop: (number(page, at), 0, b"", 0, 0, 0, b"")
        return kind, lambda page, at, stop: (number(page, at), 0, named(page, at, stop), 0, 0, 0, b"")
    if short == "sched_wakeup":
        pid, prio, comm = _number(found["pid"]), _number(found["prio"]), _text(found["comm"])
        target = _number(found["target_cpu"])
        return TraceKind.WAKEUP, lambda page, at, stop: (
            pid(page, at), prio(page, at), comm(page, at, stop), target(page, at), 0, 0, b""
        )  # fmt: skip
    if short == "sched_switch":
        to, to_prio, to_comm = _number(found["next_pid"]), _number(found["next_prio"]), _text(found["next_comm"])
        old, old_prio, old_comm = _number(found["prev_pid"]), _number(found["prev_prio"]), _text(found["prev_comm"])
        state = _number(found["prev_state"])
        return TraceKind.SWITCH, lambda page, at, stop: (
            to(page, at), to_prio(page, at), to_comm(page, at, stop), old(page, at), old_prio(page, at),
            state(page, at), old_comm(page, at, stop),
        )  # fmt: skip
    raise KeyError(name)


_NUMBERS = {
    "irq_handler_entry": (TraceKind.IRQ_ENTRY, "irq"),
    "irq_handler_exit": (TraceKind.IRQ_EXIT, "irq"),
    "softirq_entry": (TraceKind.SOFTIRQ_ENTRY, "vec"),
    "softirq_exit": (TraceKind.SOFTIRQ_EXIT, "vec"),
    "cpu_idle": (TraceKind.IDLE, "state"),
    "cpu_frequency": (TraceKind.FREQUENCY, "state"),
}


def _number(field: tuple[int, int, int]) -> Callable[[bytes, int], int]:
    """The reader of one integer, of which the low 32 bits are kept."""
    offset, size, signed = field
    read = struct.Struct("=" + _CODES[size, signed]).unpack_from
    return lambda page, at: read(page, at + offset)[0] & _WORD


def _text(field: tuple[int, int, int]) -> Callable[[bytes, int, int], bytes]:
    """The reader of a text: of a fixed size, or where the event says it lies (`__data_loc`, four bytes)."""
    offset, size, _ = field
    if size != 4:
        return lambda page, at, stop: page[at + offset : min(at + offset + size, stop)].partition(b"\0")[0]
    read = struct.Struct("=I").unpack_from

    def placed(page: bytes, at: int, stop: int) -> bytes:
        (place,) = read(page, at + offset)
        start = at + (place & 0xFFFF)
        return page[start : min(start + (place >> 16), stop)].partition(b"\0")[0]

    return placed


def read_page(fd: int, size: int, read: Callable[[int, int], bytes]) -> Optional[bytes]:
    """The oldest page of a ring, taken out of it; None when there is none."""
    try:
        page = read(fd, size)
    except (BlockingIOError, InterruptedError):
        return None
    return page if len(page) == size else None
