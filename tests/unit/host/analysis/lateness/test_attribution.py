"""Who had the CPU: small scenes written by hand, each with the split that follows from them by reading."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from edgereply.analysis.lateness.attribution import (
    ANSWERING,
    AWAKE,
    INPUT,
    THROTTLED,
    UNKNOWN,
    Event,
    Happening,
    Owner,
    Span,
    attribute,
    likely_answering,
)
from edgereply.analysis.lateness.culprits import FEWEST, find_culprits, times
from edgereply_protocol import AWAKE as PROTOCOLS_AWAKE
from edgereply_protocol import TraceKind

US = 1000
PID, THREAD, OTHER = 100, 50, 7
EDGE, SET = 10 * US, 110 * US


def switch(
    at: int, to: int, name: str, before: int, state: int = 1, cpu: int = 0, prio: int = 120, had: int = 120
) -> Event:
    """A switch; times in us."""
    return Event(Happening.SWITCH, at * US, cpu, to, prio, name, before, had, state, "")


def woken(at: int, pid: int, cpu: int = 0, target: int = 0, prio: int = 120) -> Event:
    """A wake-up on `cpu` of a process that waits for `target`."""
    return Event(Happening.WAKEUP, at * US, cpu, pid, prio, "", target, 0, 0, "")


def event(kind: Happening, at: int, number: int = 0, name: str = "", cpu: int = 0) -> Event:
    """Anything else."""
    return Event(kind, at * US, cpu, number, 0, name, 0, 0, 0, "")


USUAL = [
    switch(0, 0, "swapper/0", OTHER),
    event(Happening.IRQ_ENTRY, 9, 33, "edgereply"),
    event(Happening.IRQ_EXIT, 12, 33),
    woken(13, THREAD, prio=49),
    switch(20, THREAD, "irq/33-edgerepl", 0, state=0, prio=49),
    woken(25, PID),
    switch(30, PID, "answer", THREAD, had=49),
]


def split(events: list[Event], **options: int) -> dict[Owner, int]:
    """Time by owner, in us."""
    found: dict[Owner, int] = {}
    spans = attribute(
        events, options.get("edge", EDGE), options.get("set", SET), options.get("pid", PID), {900: "session"}
    )
    for span in spans:
        found[span.owner] = found.get(span.owner, 0) + (span.end_ns - span.start_ns) // US
    assert (spans[0].start_ns, spans[-1].end_ns) == (options.get("edge", EDGE), options.get("set", SET))
    assert all(one.end_ns == other.start_ns for one, other in pairwise(spans))
    return found


IDLE = Owner("idle", 0, "")


def test_the_words_are_those_of_the_protocol() -> None:
    assert {kind.name: kind.value for kind in Happening} == {kind.name: kind.value for kind in TraceKind}
    assert AWAKE == PROTOCOLS_AWAKE


def test_a_usual_answer() -> None:
    assert split(USUAL) == {INPUT: 12, IDLE: 8, ANSWERING: 80}


def test_an_interrupt_a_softirq_and_another_within_are_the_innermost() -> None:
    events = [
        *USUAL,
        event(Happening.OWN_ENTRY, 40, 0, "local timer"),
        event(Happening.IRQ_ENTRY, 45, 24, "eth0"),
        event(Happening.IRQ_EXIT, 55, 24),
        event(Happening.OWN_EXIT, 60, 0),
        event(Happening.SOFTIRQ_ENTRY, 60, 3),
        event(Happening.SOFTIRQ_EXIT, 90, 3),
    ]
    assert split(events) == {
        INPUT: 12, IDLE: 8, ANSWERING: 30, Owner("processor", 0, "local timer"): 10, Owner("interrupt", 24, "eth0"): 10,
        Owner("softirq", 3, "network receiving"): 30,
    }  # fmt: skip


def test_a_process_with_more_right_to_the_cpu() -> None:
    events = [*USUAL, switch(40, OTHER, "label-printer", PID, state=0, prio=19), switch(100, PID, "answer", OTHER)]
    assert split(events) == {INPUT: 12, IDLE: 8, ANSWERING: 20, Owner("process", 0, "label-printer"): 60}


def test_processes_of_ours_are_not_taken_for_somebody_elses() -> None:
    events = [*USUAL, switch(40, 900, "python3", PID, state=0), switch(100, PID, "answer", 900)]
    assert split(events)[Owner("ours", 0, "session")] == 60


def test_throttled_is_passed_over_for_less_right_or_for_nothing() -> None:
    fifo = [switch(0, PID, "answer", 0, prio=49)]
    low = [*fifo, switch(5, OTHER, "logger", PID, state=0, had=49), switch(60, PID, "answer", OTHER, prio=49)]
    assert split(low) == {THROTTLED: 50, ANSWERING: 50}
    none = [*fifo, switch(5, 0, "swapper/0", PID, state=0x100, had=49), switch(60, PID, "answer", 0, prio=49)]
    assert split(none) == {THROTTLED: 50, ANSWERING: 50}
    ordinary = [switch(0, PID, "answer", 0), switch(5, OTHER, "logger", PID, state=0), switch(60, PID, "answer", OTHER)]
    assert split(ordinary) == {Owner("process", 0, "logger"): 50, ANSWERING: 50}, "others have as much right"
    slept = [
        *fifo,
        switch(5, OTHER, "logger", PID, state=1, had=49),
        woken(60, PID, prio=49),
        switch(61, PID, "a", OTHER),
    ]
    assert THROTTLED not in split(slept), "who sleeps is not held back"


def test_the_thread_of_the_line_can_be_throttled_too() -> None:
    events = [
        switch(0, OTHER, "logger", 8),
        event(Happening.IRQ_ENTRY, 9, 33, "edgereply"), event(Happening.IRQ_EXIT, 12, 33), woken(12, THREAD, prio=49),
        switch(20, 8, "other", OTHER, state=0), switch(70, THREAD, "irq/33-edgerepl", 8, state=0, prio=49),
        woken(75, PID), switch(80, PID, "answer", THREAD, had=49),
    ]  # fmt: skip
    assert split(events)[THROTTLED] == 50


def test_a_deep_idle_state_is_named_by_its_number() -> None:
    events = [
        switch(0, OTHER, "x", 0), switch(1, 0, "swapper/1", 8, cpu=1), event(Happening.IDLE, 2, 3, cpu=1),
        event(Happening.IRQ_ENTRY, 9, 33, "edgereply"), event(Happening.IRQ_EXIT, 12, 33),
        woken(12, PID, cpu=0, target=1), event(Happening.IDLE, 80, AWAKE, cpu=1), switch(85, PID, "answer", 0, cpu=1),
    ]  # fmt: skip
    assert split(events) == {INPUT: 2, Owner("idle", 3, ""): 73, ANSWERING: 25}


def test_on_several_cpus_it_is_the_one_that_was_waited_for() -> None:
    events = [
        switch(0, 0, "swapper/0", OTHER), switch(1, OTHER, "camera", 0, cpu=1), switch(2, 8, "video", 0, cpu=2),
        event(Happening.IRQ_ENTRY, 9, 33, "edgereply"), event(Happening.IRQ_EXIT, 12, 33), woken(12, THREAD, prio=49),
        switch(20, THREAD, "irq/33-edgerepl", 0, prio=49), woken(25, PID, cpu=0, target=1),
        switch(90, PID, "answer", OTHER, cpu=1),
    ]  # fmt: skip
    assert split(events) == {INPUT: 7, IDLE: 8, Owner("process", 0, "camera"): 65, ANSWERING: 20}


@pytest.mark.parametrize("pid", [PID, 0])
def test_what_no_event_covers_is_unknown(pid: int) -> None:
    assert split([], pid=pid) == {UNKNOWN: 100}
    late = [switch(60, PID, "answer", OTHER, cpu=0)]
    assert split(late, pid=pid)[UNKNOWN] == (50 if pid else 100)


def test_who_answers_where_nobody_knows() -> None:
    answers = [(USUAL, SET)] * 3 + [([*USUAL, switch(100, OTHER, "x", PID)], SET)]
    assert likely_answering(answers) == PID
    assert likely_answering([]) == 0
    assert likely_answering([(USUAL[:1], SET)]) == 0


def spans(**us: int) -> list[Span]:
    """One answer: owners by their process name, times in us."""
    found, at = [], 0
    for name, length in us.items():
        owner = ANSWERING if name == "own" else Owner("process", 0, name)
        found.append(Span(at, at + length * US, owner))
        at += length * US
    return found


def test_extra_times_add_up_and_the_usual_is_nobodys_fault() -> None:
    answers = [spans(own=20, tick=5)] * 10 + [spans(own=22, tick=5, printer=100), spans(own=18, tick=5, printer=80)]
    late = np.array([False] * 10 + [True] * 2)
    found = find_culprits(answers, late)
    assert found is not None
    assert [item.owner.name for item in found.accused] == ["printer"]
    assert found.accused[0].share == pytest.approx(1.0)
    assert sum(item.extra_ns for item in found.table) == pytest.approx(found.extra_ns)
    assert (found.accused[0].answers, found.accused[0].worst_ns) == (2, 100 * US)
    assert found.accused[0].low is None, "two answers make no interval"


def test_the_answering_program_and_little_things_are_not_accused() -> None:
    usual = [spans(own=20, tick=1)] * 20
    slow = [spans(own=90, tick=4)] * 10
    found = find_culprits(usual + slow, np.array([False] * 20 + [True] * 10))
    assert found is not None
    assert found.accused == ()
    assert find_culprits(usual, np.zeros(20, bool)) is None


def test_intervals_of_shares_hold_what_they_promise() -> None:
    """Coverage in a seeded simulation: 95 % intervals from 40 late answers, 400 times (binomial: 360 is far out)."""
    drawn, held, truth = np.random.default_rng(5), 0, 0.6 / (0.6 + 0.25)
    for _ in range(400):
        answers = [spans(own=20)] * 5
        for _ in range(40):
            answers.append(spans(own=20, printer=int(drawn.exponential(600)), camera=int(drawn.exponential(250)) + 1))
        found = find_culprits(answers, np.array([False] * 5 + [True] * 40))
        assert found is not None
        item = next(item for item in found.table if item.owner.name == "printer")
        assert item.low is not None
        assert item.high is not None
        held += item.low <= truth <= item.high
    assert held >= 364
    assert FEWEST == 3


def test_times_of_an_owner_are_added() -> None:
    owners, taken = times([[Span(0, 5, ANSWERING), Span(5, 9, THROTTLED), Span(9, 10, ANSWERING)], []])
    assert owners == [ANSWERING, THROTTLED]
    assert taken.tolist() == [[6.0, 0.0], [4.0, 0.0]]
