"""Known culprits on the virtual board, each found by its name, and its time against the kernel's own text view.

Times are counted instructions. The witness is a second ring that the test itself makes and reads as text; what it says
of a stretch is summed here by other rules than the host's: by the names of events, on one CPU.
"""

from __future__ import annotations

import contextlib
import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pytest

from edgereply.api.explaining import explain
from edgereply.evaluation.load_view import evaluate_run
from edgereply.storage.run_reader import RunReader
from tests.integration.commands import Done, await_that
from tests.virtual_bench.bench import VirtualBench
from tests.virtual_board import VirtualBoard

pytestmark = pytest.mark.virtual_board
INSTANCES = "/sys/kernel/tracing/instances"
PARAMETERS = "/sys/module/edgereply_bench/parameters"
WITNESS = f"{INSTANCES}/witness"
OWN = "irq_vectors/local_timer_entry irq_vectors/local_timer_exit irq_vectors/irq_work_entry irq_vectors/irq_work_exit"
EVENTS = f"irq/irq_handler_entry irq/irq_handler_exit irq/softirq_entry irq/softirq_exit sched/sched_switch {OWN}"
LINE = re.compile(r"\[\d+\] \S+ +(\d+)\.(\d{6}): (\w+): (.*)$")
LENGTH_NS = 600_000
STIMULI = 120
# Below the thread of the line, which the kernel runs at 50; as the kernel counts: 99 less the priority.
PRIO = 59
# An ordinary process is held up by others as ordinary as itself now and then, and that is told: here nobody is.
REALTIME = "realtime = { fifo_priority = 40 }"
# A process that wakes every 9 ms, above everything else, and is busy for a millisecond.
PRINTER = """
import os, time
open("/proc/self/comm", "w").write("label-printer")
os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(80))
while True:
    time.sleep(0.008)
    end = time.monotonic_ns() + 1_000_000
    while time.monotonic_ns() < end:
        pass
"""


@dataclass(frozen=True)
class Seen:
    """An event of the witness."""

    at_ns: int
    name: str
    words: dict[str, str]


@contextlib.contextmanager
def witnessed(board: VirtualBoard) -> Iterator[list[Seen]]:
    """Record by a ring of the test's own; what it saw is in the list once the block is left."""
    seen: list[Seen] = []
    board.run(
        f"mkdir {WITNESS} && cd {WITNESS} && echo mono > trace_clock && echo 8192 > buffer_size_kb && "
        f"for e in {EVENTS}; do echo 1 > events/$e/enable; done", 60, root=True,
    )  # fmt: skip
    try:
        yield seen
        text = board.run(f"cd {WITNESS} && echo 0 > tracing_on && cat trace", 120, root=True)
    finally:
        board.run(f"echo 0 > {WITNESS}/events/enable; rmdir {WITNESS}", 60, root=True)
    for line in text.splitlines():
        if found := LINE.search(line):
            words = dict(word.split("=", 1) for word in found[4].replace(" ==>", "").split() if "=" in word)
            seen.append(Seen(int(found[1]) * 10**9 + int(found[2]) * 1000, found[3], words))


@contextlib.contextmanager
def trouble(board: VirtualBoard, every: int, soft: bool) -> Iterator[None]:
    """The module's long handler, or tasklet, after every so many stimuli."""
    settings = {"length_ns": LENGTH_NS, "soft": int(soft), "every": every}
    board.run("; ".join(f"echo {v} > {PARAMETERS}/trouble_{k}" for k, v in settings.items()), 30, root=True)
    try:
        yield
    finally:
        board.run(f"echo 0 > {PARAMETERS}/trouble_every", 30, root=True)


@contextlib.contextmanager
def printer(board: VirtualBoard) -> Iterator[None]:
    """The process that spins."""
    pid = board.run(f"python3 -c '{PRINTER}' > /dev/null 2>&1 & echo $!", 30, root=True).strip()
    try:
        yield
    finally:
        board.run(f"kill -9 {pid}", 30, root=True)


@contextlib.contextmanager
def throttled(board: VirtualBoard) -> Iterator[None]:
    """Real-time processes get 40 ms in 50: a second without the source's own program is more than its host bears."""
    folder = "/proc/sys/kernel/sched_rt"
    board.run(f"echo 40000 > {folder}_runtime_us; echo 50000 > {folder}_period_us", 30, root=True)
    try:
        yield
    finally:
        board.run(f"echo 1000000 > {folder}_period_us; echo 950000 > {folder}_runtime_us", 60, root=True)


def measured(bench: VirtualBench, **settings: Any) -> Done:
    """A traced run."""
    bench.write(root=True, count=STIMULI, **settings)
    done = bench.run("measure", "--json", "--no-wiring", "--trust", "--trace", "--out", "run")
    assert done.code == 0, done.err
    assert bench.board.run(f"ls {INSTANCES}", 30, root=True).split() in ([], ["witness"]), "the agent left its ring"
    return done


def held_up(bench: VirtualBench) -> dict[str, Any]:
    """What the run says of its late answers."""
    return explain(bench.place.root / "run", "run").as_dict()


def accused(found: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Culprits by their words."""
    return {item["words"]: item for item in found["held_up"]["culprits"] if item["accused"]}


def taken(seen: list[Seen], start_ns: int, end_ns: int, begins: Any, ends: Any) -> int:
    """Time of a stretch between events of one kind and those that end it."""
    total, since = 0, None
    for event in seen:
        if since is None and begins(event):
            since = event.at_ns
        elif since is not None and ends(event):
            total += max(0, min(end_ns, event.at_ns) - max(start_ns, since))
            since = None
    return total


def less_interrupts(seen: list[Seen]) -> list[Seen]:
    """Events with a process's time cut where an interrupt takes it: "out" and "in" stand for a switch away and back."""
    found, depth = [], 0
    for event in seen:
        before = depth
        depth = max(0, depth + event.name.endswith("_entry") - event.name.endswith("_exit"))
        if event.name == "sched_switch":
            depth = 0
        if bool(before) != bool(depth) and event.name != "sched_switch":
            event = Seen(event.at_ns, "out" if depth else "in", {})
        found.append(event)
    return found


def on_a_cpu(seen: list[Seen], start_ns: int, end_ns: int, name: str) -> int:
    """Time of a stretch that a process ran and no interrupt did."""
    total, since, running, inside = 0, 0, False, False
    for event in less_interrupts(seen):
        if running and not inside:
            total += max(0, min(end_ns, event.at_ns) - max(start_ns, since))
        since = event.at_ns
        if event.name == "sched_switch":
            running, inside = event.words.get("next_comm") == name, False
        elif event.name in ("out", "in"):
            inside = event.name == "out"
    return total


def late_answers(bench: VirtualBench, found: dict[str, Any]) -> list[tuple[int, int]]:
    """Edge and set of the late answers that were recorded whole."""
    reader = RunReader(bench.place.root / "run")
    result, trace = evaluate_run(reader, reader.record.deadline_ns), reader.trace()
    late = set(result.edge_ns[result.reaction_ns > found["held_up"]["limit_ns"]].tolist())
    whole = {(int(e), int(s)) for e, s, w in zip(trace.edge_ns, trace.set_ns, trace.whole, strict=True) if w}
    return sorted(pair for pair in whole if pair[0] in late)


def near(value: float, truth: float) -> bool:
    """Within 5 %."""
    return abs(value - truth) <= 0.05 * truth


def test_a_long_interrupt_is_found_by_its_name(bench: VirtualBench) -> None:
    with trouble(bench.board, every=8, soft=False), witnessed(bench.board) as seen:
        measured(bench, rate="100/s", deadline="400us", board=REALTIME)
    found = held_up(bench)
    (culprit,) = accused(found).values()
    assert re.fullmatch(r"interrupt \d+ \(label-motor\)", culprit["words"])
    # A handler may hold up an answer that was late already.
    assert 0 <= culprit["answers"] - STIMULI // 8 <= 2
    assert near(culprit["extra_ns"], LENGTH_NS * (STIMULI // 8))
    assert culprit["share"] == max(item["share"] for item in found["held_up"]["culprits"])
    number = culprit["words"].split()[1]
    truth = sum(
        taken(
            seen, *answer, lambda e: e.name == "irq_handler_entry" and e.words["name"] == "label-motor",
            lambda e: e.name == "irq_handler_exit" and e.words["irq"] == number,
        ) for answer in late_answers(bench, found)
    )  # fmt: skip
    assert near(culprit["extra_ns"], truth)
    assert any("smp_affinity_list" in line for line in found["sentences"]["late"])


def test_two_at_once_are_both_found(bench: VirtualBench) -> None:
    with trouble(bench.board, every=8, soft=True), printer(bench.board), witnessed(bench.board) as seen:
        measured(bench, rate="100/s", deadline="400us", board=REALTIME)
    found = held_up(bench)
    named = accused(found)
    assert set(named) == {"softirq 6 (tasklets)", "process label-printer"}
    answers = late_answers(bench, found)
    truth = sum(
        taken(
            seen, *answer, lambda e: e.name == "softirq_entry" and e.words["vec"] == "6",
            lambda e: e.name == "softirq_exit" and e.words["vec"] == "6",
        ) for answer in answers
    )  # fmt: skip
    assert near(named["softirq 6 (tasklets)"]["extra_ns"], truth)
    printed = sum(on_a_cpu(seen, *answer, "label-printer") for answer in answers)
    assert near(named["process label-printer"]["extra_ns"], printed)


def test_throttling_is_told_from_everything_else(bench: VirtualBench) -> None:
    with throttled(bench.board), witnessed(bench.board) as seen:
        measured(bench, rate="100/s", board=f'wait = "spin"\n{REALTIME}')
    found = held_up(bench)
    (culprit,) = accused(found).values()
    assert "throttling" in culprit["words"]
    record = json.loads((bench.place.root / "run/run.json").read_text())
    assert record["in_effect"]["realtime"]["fifo_priority"] == 40
    trace = RunReader(bench.place.root / "run").trace()
    pid = str(int(trace.pid[0]))
    truth = sum(
        taken(
            seen, *answer,
            lambda e: e.name == "sched_switch" and e.words["prev_pid"] == pid and int(e.words["next_prio"]) > PRIO,
            lambda e: e.name == "sched_switch" and e.words["next_pid"] == pid,
        ) for answer in late_answers(bench, found)
    )  # fmt: skip
    assert near(culprit["extra_ns"], truth)


def test_the_ring_goes_with_an_agent_that_is_killed(bench: VirtualBench) -> None:
    bench.write(root=True, count=100_000, board="trace = true")
    running, _ = bench.start_measuring("--trust")
    rings = bench.board.run(f"ls {INSTANCES}", 30, root=True).split()
    assert len(rings) == 1
    found = bench.agents()
    (session,) = (pid for pid, (parent, _) in found.items() if parent not in found)
    assert rings == [f"edgereply-{session}"]
    bench.board.run(f"kill -9 {session}", 30, root=True)
    assert running.end().code == 3
    bench.no_agent_left()
    await_that(
        lambda: not bench.board.run(f"ls {INSTANCES}", 30, root=True).split(),
        lambda: bench.board.run(f"ls {INSTANCES}", 30, root=True), 30.0,
    )  # fmt: skip


def test_without_provocation_nobody_is_accused(bench: VirtualBench) -> None:
    measured(bench, rate="100/s", board=REALTIME)
    found = held_up(bench)
    assert accused(found) == {}
    # Usual answers are always kept; whether the latest of an undisturbed run passed the limit too is chance.
    assert RunReader(bench.place.root / "run").trace().edge_ns.size > 0
    assert not any(line.startswith(("Held up by", "To try")) for line in found["sentences"]["late"])
