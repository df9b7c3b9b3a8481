"""Which answers are wanted, the events beside them, and the process that fetches them, on a real kernel's pages."""

from __future__ import annotations

import base64
import contextlib
import gzip
import json
import os
import random
import signal
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from edgereply_agent.ring import Ring
from edgereply_agent.tracing import selection
from edgereply_agent.tracing.pages import Decoder, Event
from edgereply_agent.tracing.recorder import Recorder
from edgereply_agent.tracing.selection import Answers, Selection
from edgereply_agent.tracing.stretches import Pages, cut
from edgereply_protocol import Layout, Traced, TraceKind
from tests.fakes.agent_process import gone

FOLDER = Path(__file__).parents[2] / "reference_data/trace"
PID = 4711


def rows(ring: Ring, answers: list[tuple[int, int]]) -> None:
    """Write answers as a responder does."""
    record = ring.recorder()
    for number, (edge_ns, set_ns) in enumerate(answers):
        record(edge_ns, edge_ns + 1, set_ns, set_ns + 1, number, number)


def test_rows_are_read_once_and_not_taken_out() -> None:
    ring = Ring(Layout.ANSWERS, 8)
    answers, record = Answers(ring), ring.recorder()
    seen: list[tuple[int, int]] = []
    for number in range(30):
        record(number * 100, 0, number * 100 + 7, 0, 0, 0)
        seen += answers.fresh()
        if number % 3 == 2:
            while ring.drain(final=True) is not None:
                pass
    seen += answers.fresh(final=True)
    assert seen == [(number * 100, number * 100 + 7) for number in range(30)]
    assert answers.passed == 0
    ring.close()


def test_a_reader_too_far_behind_says_how_many_it_left_out() -> None:
    ring = Ring(Layout.ANSWERS, 8)
    answers = Answers(ring)
    rows(ring, [(n, n + 1) for n in range(8)])
    assert answers.fresh(final=True) == [(n, n + 1) for n in range(4, 8)]
    assert answers.passed == 4
    ring.close()


def test_observed_edges_are_paired_in_order_of_time() -> None:
    ring = Ring(Layout.EVENTS, 16)
    record = ring.recorder()
    for kind, at_ns in ((1, 100), (2, 150), (3, 160), (1, 300), (1, 400), (2, 480), (2, 490)):
        record(at_ns, kind, 1)
    assert Answers(ring).fresh(final=True) == [(100, 150), (400, 480)]
    ring.close()


def test_late_is_past_the_deadline_or_later_than_most() -> None:
    drawn = random.Random(1)
    usual = [(n * 1000, n * 1000 + drawn.randint(90, 110)) for n in range(400)]
    chosen = Selection(deadline_ns=500)
    assert chosen.choose([(0, 400), (1000, 1501)], final=True)[0].set_ns == 1501
    plain = Selection()
    assert plain.limit_ns() is None
    assert plain.choose(usual) == [], "none is later than 99 of 100"
    limit = plain.limit_ns()
    assert limit is not None
    assert 105 <= limit <= 110
    late = plain.choose([(5, 200), (10, 110), (20, 900)])
    assert [(item.edge_ns, item.why) for item in late] == [(20, "late"), (5, "late"), (10, "usual")]


def test_the_first_answers_wait_for_something_to_judge_them_by() -> None:
    chosen = Selection()
    assert chosen.choose([(0, 9000), *[(n, n + 100) for n in range(20)]]) == []
    late = chosen.choose([(n, n + 100 + n % 3) for n in range(40)])
    assert [item.set_ns for item in late if item.why == "late"] == [9000]
    few = Selection(deadline_ns=500)
    assert few.choose([(0, 9000)]) == []
    assert [item.set_ns for item in few.choose([(5, 105)], final=True)] == [9000]


def test_a_tenth_held_up_hides_none_of_it() -> None:
    chosen = Selection()
    chosen.choose([(0, 100 + n % 7 + (300 if n % 10 == 0 else 0)) for n in range(500)])
    found = chosen.choose([(0, 100 + n % 7 + (300 if n % 10 == 0 else 0)) for n in range(100)])
    assert sum(item.why == "late" for item in found) == 10


def test_limits_on_rate_and_total(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(selection, "LATE_A_RUN", 40)
    chosen = Selection(deadline_ns=10)
    first = chosen.choose([(0, 20 + n) for n in range(100)])
    assert len(first) == selection.LATE_A_LOOK
    assert first[0].set_ns == 119, "the slowest are kept"
    assert len(chosen.choose([(0, 20 + n) for n in range(100)])) == 15
    assert len([item for item in chosen.choose([(0, 20)]) if item.why == "late"]) == 0
    assert (chosen.late, chosen.too_many) == (40, 161)


@dataclass
class Recorded:
    """A real kernel's pages in place of its ring."""

    folder: Path
    kb: int = 64
    cpus: list[int] = field(default_factory=lambda: [0])

    def __post_init__(self) -> None:
        data: dict[str, Any] = json.loads(gzip.decompress((FOLDER / "x86-64.json.gz").read_bytes()))
        raw = base64.b64decode(data["raw"])
        self._formats: dict[str, str] = data["formats"]
        (self.folder / "raw").write_bytes(raw)
        decoder = Decoder(self._formats)
        self.pages = [raw[at : at + 4096] for at in range(0, len(raw), 4096)]
        self.events: list[Event] = [event for page in self.pages for event in decoder.events(page, 0)]

    def formats(self) -> dict[str, str]:
        """As the kernel gives them."""
        return self._formats

    def raw(self, cpu: int) -> int:
        """A descriptor of the pages."""
        return os.open(self.folder / "raw", os.O_RDONLY)

    def kept(self) -> Pages:
        """All pages of the CPU."""
        pages = Pages(0, Decoder(self._formats))
        for page in self.pages:
            pages.add(page)
        return pages


def test_a_stretch_has_what_happened_and_how_things_were_before(tmp_path: Path) -> None:
    ring = Recorded(tmp_path)
    middle = ring.events[200][1]
    found, whole = cut([ring.kept()], middle + 100_000, middle + 150_000, 0)
    assert whole
    inside = [event for event in ring.events if middle <= event[1] <= middle + 170_000]
    assert found[-len(inside) :] == inside
    before = found[: -len(inside)]
    last = next(event for event in reversed(ring.events) if event[0] == TraceKind.SWITCH and event[1] < middle)
    assert last in before
    assert all(event[1] < middle for event in before)


def test_an_interrupt_that_was_open_is_among_them(tmp_path: Path) -> None:
    ring = Recorded(tmp_path)
    place = next(n for n, event in enumerate(ring.events) if event[0] == TraceKind.SOFTIRQ_ENTRY and n > 50)
    opened = ring.events[place]
    from_ns = opened[1] + 1
    found, _ = cut([ring.kept()], from_ns + 100_000, from_ns + 200_000, 0)
    assert opened in [event for event in found if event[1] < from_ns]
    closed = next(event for event in ring.events[place:] if event[0] == TraceKind.SOFTIRQ_EXIT)
    after, _ = cut([ring.kept()], closed[1] + 100_001, closed[1] + 200_000, 0)
    assert opened not in after


def test_a_stretch_that_began_before_the_ring_is_not_whole(tmp_path: Path) -> None:
    ring = Recorded(tmp_path)
    first = ring.events[0][1]
    assert cut([ring.kept()], first, first + 50_000, 0)[1] is False
    assert cut([Pages(0, Decoder(ring.formats()))], first, first + 50_000, 0) == ([], False)


@pytest.fixture
def answered(tmp_path: Path) -> Iterator[tuple[Recorded, Ring]]:
    """Pages, and a ring of answers."""
    ring = Ring(Layout.ANSWERS, 64)
    yield Recorded(tmp_path), ring
    ring.close()


def test_the_process_brings_what_stands_beside_late_answers(answered: tuple[Recorded, Ring]) -> None:
    kernel, ring = answered
    edge_ns = kernel.events[150][1] + 100_000
    recorder = Recorder(kernel, ring, PID, 40_000)  # type: ignore[arg-type]
    rows(ring, [(edge_ns, edge_ns + 30_000), (edge_ns, edge_ns + 50_000)])
    recorder.finish()
    message = recorder.take()
    assert isinstance(message, Traced)
    (about,) = message.about["answers"]
    found, _ = cut([kernel.kept()], edge_ns, edge_ns + 50_000, PID)
    assert about == {"edge_ns": edge_ns, "set_ns": edge_ns + 50_000, "why": "late", "rows": len(found), "whole": True}
    assert message.about["pid"] == PID
    columns = message.block.columns
    assert list(columns["at_ns"]) == [event[1] for event in found]
    assert [message.about["names"][n] for n in columns["name"]] == [event[5].decode() for event in found]
    assert recorder.take() is None
    assert recorder.report["late"] == 1
    assert gone(recorder.pid)
    recorder.close()


def test_a_process_that_was_killed_ends_nothing(answered: tuple[Recorded, Ring]) -> None:
    kernel, ring = answered
    recorder = Recorder(kernel, ring, PID, None)  # type: ignore[arg-type]
    os.kill(recorder.pid, signal.SIGKILL)
    recorder.finish()
    assert recorder.report == {"cut_short": True}
    assert recorder.take() is None
    with contextlib.suppress(ProcessLookupError):
        recorder.close()
