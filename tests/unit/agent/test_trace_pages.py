"""Pages of real kernels decoded, held against those kernels' own text view of the same ring."""

from __future__ import annotations

import base64
import gzip
import json
import re
import struct
import sys
from pathlib import Path
from typing import Any

import pytest

from edgereply_agent.tracing.pages import Decoder, Event, FormatError
from edgereply_protocol import OWN_INTERRUPTS, TraceKind

FOLDER = Path(__file__).parents[2] / "reference_data/trace"
KERNELS = sorted(path.name.partition(".")[0] for path in FOLDER.glob("*.json.gz"))
# The kernel's own view: microseconds, and the words of each event's format.
LINE = re.compile(r"\[(\d+)\] \S+\s+(\d+)\.(\d{6}): (\w+): (.*)$")
pytestmark = pytest.mark.skipif(sys.byteorder == "big", reason="the pages come from little-endian boards")


def recorded(kernel: str) -> tuple[dict[str, str], list[bytes], list[str]]:
    """Formats, pages and the kernel's text of one recording."""
    data: dict[str, Any] = json.loads(gzip.decompress((FOLDER / f"{kernel}.json.gz").read_bytes()))
    raw = base64.b64decode(data["raw"])
    return data["formats"], [raw[at : at + 4096] for at in range(0, len(raw), 4096)], data["text"].splitlines()


def said(line: str) -> tuple[int, str, list[str]]:
    """Time in us, event and words of a line of the kernel's view."""
    found = LINE.search(line)
    assert found is not None, line
    return int(found[2]) * 1_000_000 + int(found[3]), found[4], found[5].split()


def told(event: Event) -> tuple[int, str, dict[str, str]]:
    """The same of a decoded event: time in us as the kernel rounds it, its name, values by the kernel's words."""
    kind, at_ns, cpu, number, priority, name, before, before_priority, _, before_name = event
    assert cpu == 0
    words: dict[str, str]
    if kind == TraceKind.SWITCH:
        words = {
            "prev_pid": str(before), "prev_prio": str(before_priority), "next_pid": str(number),
            "next_prio": str(priority), "prev_comm": before_name.decode(), "next_comm": name.decode(),
        }  # fmt: skip
        where = "sched_switch"
    elif kind == TraceKind.WAKEUP:
        where, words = "sched_wakeup", {"pid": str(number), "prio": str(priority), "comm": name.decode()}
        words["target_cpu"] = f"{before:03}"
    elif kind == TraceKind.IRQ_ENTRY:
        where, words = "irq_handler_entry", {"irq": str(number), "name": name.decode()}
    elif kind == TraceKind.IRQ_EXIT:
        where, words = "irq_handler_exit", {"irq": str(number)}
    elif kind in (TraceKind.SOFTIRQ_ENTRY, TraceKind.SOFTIRQ_EXIT):
        where, words = TraceKind(kind).name.lower(), {"vec": str(number)}
    elif kind == TraceKind.IDLE:
        where, words = "cpu_idle", {"state": str(number)}
    elif kind == TraceKind.FREQUENCY:
        where, words = "cpu_frequency", {"state": str(number)}
    else:
        where = f"{OWN_INTERRUPTS[number]}_{'entry' if kind == TraceKind.OWN_ENTRY else 'exit'}"
        words = {}
    return round(at_ns / 1000), where, words


def test_there_are_kernels_of_both_word_lengths() -> None:
    assert KERNELS == ["armhf", "x86-64", "x86-64-rt"]


@pytest.mark.parametrize("kernel", KERNELS)
def test_every_event_is_what_the_kernel_says_it_is(kernel: str) -> None:
    formats, pages, lines = recorded(kernel)
    decoder = Decoder(formats)
    events = [event for page in pages for event in decoder.events(page, 0)]
    assert len(events) == len(lines) > 150
    for event, line in zip(events, lines, strict=True):
        at_us, name, words = told(event)
        their_us, their_name, their_words = said(line)
        assert abs(at_us - their_us) <= 1, line
        assert name == their_name
        assert {f"{key}={value}" for key, value in words.items() if " " not in value} <= set(their_words), line
        if event[0] == TraceKind.SWITCH:
            # "R" and "R+" could have gone on.
            state = next(word.partition("=")[2] for word in their_words if word.startswith("prev_state="))
            assert (event[8] & 0xFF == 0) == (state in ("R", "R+")), line
    kinds = {TraceKind(event[0]) for event in events}
    assert {TraceKind.SWITCH, TraceKind.WAKEUP, TraceKind.IRQ_ENTRY, TraceKind.SOFTIRQ_EXIT, TraceKind.IDLE} <= kinds


@pytest.mark.parametrize("kernel", KERNELS)
def test_a_damaged_page_ends_in_words_and_never_further(kernel: str) -> None:
    formats, pages, _ = recorded(kernel)
    decoder = Decoder(formats)
    page = bytearray(pages[0])
    for at in range(decoder.data_at, 700):
        for byte in (0xFF, 0x00, 0x1C):
            damaged = bytes(page[:at]) + bytes([byte]) + bytes(page[at + 1 :])
            try:
                assert len(list(decoder.events(damaged, 0))) < 4096
            except FormatError:
                continue


def test_a_page_that_says_it_is_fuller_than_it_can_be_is_refused() -> None:
    formats, pages, _ = recorded("x86-64")
    page = pages[0][:8] + struct.pack("<Q", 5000) + pages[0][16:]
    with pytest.raises(FormatError, match="holds 5000 bytes"):
        list(Decoder(formats).events(page, 0))


@pytest.mark.parametrize(
    ("name", "old", "new"),
    [
        ("header_page", "commit", "other"),
        ("sched/sched_switch", "next_pid", "other"),
        ("irq/softirq_entry", "ID: ", "NO: "),
        ("sched/sched_wakeup", "common_type", "other"),
    ],
)
def test_a_description_that_lacks_what_is_needed_is_refused(name: str, old: str, new: str) -> None:
    formats, _, _ = recorded("x86-64")
    formats[name] = formats[name].replace(old, new)
    with pytest.raises(FormatError, match=name):
        Decoder(formats)
