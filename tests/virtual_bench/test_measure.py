"""Runs on a real kernel: every stimulus captured and answered, and three independent accounts of it agree."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from edgereply.evaluation.evaluate import evaluate
from tests.integration.commands import explained
from tests.virtual_bench.bench import REJECT_OUT, STIMULI, VirtualBench
from tests.virtual_board import SELF_WIRES
from tests.virtual_board.witness import OutputTrace, watching_outputs

pytestmark = pytest.mark.virtual_board
WAY_IN_NS = 100_000  # from the source's edge to the kernel's stamp of it, interrupts of others included
CONDITIONS = [("chardev", "block"), ("chardev", "spin"), ("gpiod", "block"), ("gpiod", "spin"), ("sysfs", "block")]


def measure(bench: VirtualBench, *arguments: str) -> dict[str, Any]:
    """Measure; the summary says that every stimulus was answered."""
    done = bench.run("measure", "--json", "--out", "run", *arguments)
    assert done.code == 0, done.err
    summary = done.document
    assert summary["state"] == "complete"
    assert summary["virtual"] is True
    assert (summary["stimuli"], summary["responses"]) == (STIMULI, STIMULI), summary
    # Late ones may be: other processes have the board's one CPU for up to some milliseconds.
    kinds = ("missed", "spurious", "coalesced", "ambiguous")
    assert {kind: summary[kind] for kind in kinds} == dict.fromkeys(kinds, 0)
    return summary


def witnessed(bench: VirtualBench, trace: OutputTrace) -> None:
    """Every answer's stamps lie around what the kernel itself traced of the output."""
    rises, falls = trace.changes(REJECT_OUT)
    board = bench.reader().board()
    assert rises.size == falls.size == board.set_ns.size == STIMULI
    assert (board.wake_ns < rises).all()
    assert (rises < board.set_ns).all()
    assert (board.set_ns < falls).all()
    assert (falls < board.clear_ns).all()


def captured(bench: VirtualBench, trace: OutputTrace) -> None:
    """The pulse source's own capture of each response is the traced one, by a constant difference of clocks."""
    _, rise, fall = bench.reader().source().edges()
    for own, traced in zip((rise, fall), trace.changes(REJECT_OUT), strict=True):
        stray = np.abs(own - traced - int(np.median(own - traced)))
        assert np.median(stray) < 100
        assert stray.max() < 50_000, "more than an interrupt between the two stamps"


@pytest.mark.parametrize(("route", "wait"), CONDITIONS)
def test_every_stimulus_is_answered_and_all_accounts_agree(bench: VirtualBench, route: str, wait: str) -> None:
    with watching_outputs(bench.board) as trace:
        summary = measure(bench, "--no-wiring", "--route", route, "--wait", wait)
    reader = bench.reader()
    record = reader.record
    assert (record.in_effect["route"], record.in_effect["wait"]) == (route, wait)
    assert "simulated by the kernel" in record.environment_before["virtual_why"]
    witnessed(bench, trace)
    captured(bench, trace)
    if route == "sysfs":
        assert summary["evidence"] == "loop-back"
        return
    assert sum(record.environment_after["during"]["line_interrupts"].values()) == STIMULI
    assert summary["evidence"] == "joined"
    assert (record.counts["joined"], record.counts["unseen"], record.counts["extra_edges"]) == (STIMULI, 0, 0)
    assert set(summary["segments"]) == {"wake_delay", "set_time", "hold", "outside"}
    # The output changes between the agent's two stamps, so the loop-back time contains the first and not the second.
    stamps = reader.board()
    reaction = evaluate(reader.source(), stamps, record.window_ns, None).reaction_ns
    assert (reaction > stamps.wake_ns - stamps.edge_ns).all()
    assert (reaction < stamps.set_ns - stamps.edge_ns + WAY_IN_NS).all()


def test_sysfs_by_spinning_answers_all_that_do_not_merge(bench: VirtualBench) -> None:
    """The legacy route keeps no queue: edges that come while the responder is kept from the one CPU are one."""
    with watching_outputs(bench.board) as trace:
        done = bench.run("measure", "--json", "--no-wiring", "--route", "sysfs", "--wait", "spin", "--out", "run")
    assert done.code == 0, done.err
    summary = done.document
    kinds = ("responses", "missed", "coalesced", "ambiguous")
    assert sum(summary[kind] for kind in kinds) == summary["stimuli"] == STIMULI
    record = bench.reader().record
    assert (record.in_effect["route"], record.in_effect["wait"]) == ("sysfs", "spin")
    answered = len(bench.reader().board().set_ns)
    assert answered == trace.changes(REJECT_OUT)[0].size
    assert 0.8 * STIMULI < summary["responses"] <= answered <= STIMULI


def test_wires_are_proved_also_for_a_route_that_cannot_watch_them(bench: VirtualBench) -> None:
    bench.write(count=20)
    done = bench.run("measure", "--json", "--route", "sysfs", "--out", "run")
    assert done.code == 0, done.err
    assert (done.document["stimuli"], done.document["responses"]) == (20, 20)
    assert bench.reader().record.in_effect["route"] == "sysfs"
    bench.board.wire("source:stimulus->EYE_IN")
    explained(bench.run("measure", "--route", "sysfs", "--out", "unproved"), 3, "the wiring is not right")


def test_one_line_named_twice_is_told(bench: VirtualBench) -> None:
    bench.write(board='route = "sysfs"')
    text = (bench.place.root / "bench.toml").read_text()
    bench.place.write(text.replace('"REJECT_OUT"', '"EYE_IN"'))
    explained(bench.run("measure", "--out", "run"), 2, "'input' and 'output' are one line, EYE_IN")
    for route in ("chardev", "gpiod", "sysfs"):
        bench.place.write(text.replace('"REJECT_OUT"', '"reject-gate:4"').replace("sysfs", route))
        explained(bench.run("measure", "--no-wiring", "--out", "run"), 2, "output and input are one line", "offset 4")


def test_realtime_settings_take_effect_or_say_why_not(bench: VirtualBench) -> None:
    bench.write(board="realtime = { lock_memory = true, cpus = [0], fifo_priority = 50 }")
    measure(bench, "--no-wiring")
    record = bench.reader().record
    assert record.in_effect["realtime"] == {
        "fifo_priority": 50,
        "cpus": [0],
        "lock_memory": True,
        "hold_cpu_latency": False,
    }
    # How busy the board was is told with every run.
    assert [line for line in record.warnings if not line.startswith("The board during the run: ")] == []


def test_priorities_beyond_the_limit_are_refused_by_the_kernel_and_told(bench: VirtualBench) -> None:
    done = bench.run("measure", "--no-wiring", "--count", "20", "--fifo-priority", "95", "--out", "run")
    assert done.code == 0, done.err
    record = bench.reader().record
    assert record.in_effect["realtime"]["fifo_priority"] is None
    assert any("SCHED_FIFO priority 95 could not be set" in warning for warning in record.warnings)


def test_the_realtime_kernel_answers_every_stimulus_too(rt_bench: VirtualBench) -> None:
    with watching_outputs(rt_bench.board) as trace:
        measure(rt_bench, "--no-wiring", "--fifo-priority", "80")
    witnessed(rt_bench, trace)
    assert rt_bench.reader().record.in_effect["realtime"]["fifo_priority"] == 80


def test_the_board_is_its_own_source(bench: VirtualBench) -> None:
    bench.board.wire(*SELF_WIRES)
    bench.write(source='kind = "self"')
    summary = measure(bench)
    assert summary["evidence"] == "joined"
    assert bench.reader().record.source.kind == "self"


def test_a_second_board_is_the_source(bench: VirtualBench) -> None:
    bench.board.wire(*SELF_WIRES)
    second = (
        f'[board.feeder]\nhost = "{bench.board.host}"\nssh_config = "{bench.board.ssh_config}"\n'
        'input = "SPARE_IN"\noutput = "SPARE_OUT"\nstimulus_line = "STIM_OUT"\ncapture_line = "CAPTURE_IN"'
    )
    bench.write(board=second, source='kind = "board"\nboard = "feeder"')
    summary = measure(bench, "--board", "gate")
    assert summary["evidence"] == "joined"
    assert bench.reader().record.source.kind == "board"


def test_wires_of_a_board_as_source_are_checked(bench: VirtualBench) -> None:
    bench.board.wire("STIM_OUT->EYE_IN")
    bench.write(source='kind = "self"')
    explained(bench.run("measure", "--out", "run"), 3, "the wiring is not right", "It does not arrive")
    bench.board.wire("REJECT_OUT->CAPTURE_IN")
    with bench.driving_nothing():
        explained(bench.run("measure", "--out", "run"), 3, "the wiring is not right", "Nothing arrives")


def test_unknown_and_taken_lines_are_named(bench: VirtualBench) -> None:
    bench.write()
    text = (bench.place.root / "bench.toml").read_text()
    bench.place.write(text.replace('"EYE_IN"', '"EYE_OUT"'))
    explained(bench.run("measure", "--no-wiring", "--out", "run"), 2, "EYE_OUT")
    bench.place.write(text.replace('"REJECT_OUT"', '"TAKEN"'))
    explained(bench.run("measure", "--no-wiring", "--out", "run"), 3, "in use by 'line-keeper'")
    assert not (bench.place.root / "run").exists()
