"""Load and the floor responder from the command line, on software wires; nothing is left of either."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest
from tests.integration.commands import Workplace, bench_text, explained
from tests.tools import need

from edgereply.storage.run_reader import RunReader

LOAD = "cpu=1, memory=8M, storage=1M, network=1, duty=50%"


def idle_priority(place: Workplace) -> list[int]:
    """Processes of the load."""
    found = []
    for pid in place.processes():
        try:
            if os.sched_getscheduler(pid) == os.SCHED_IDLE:
                found.append(pid)
        except ProcessLookupError:
            continue
    return found


def test_load_is_made_recorded_and_gone(place: Workplace) -> None:
    place.write(bench_text(count=500))
    done = place.run("measure", "--load", LOAD, "--out", "loaded", "--details")
    assert done.code == 0, done.err
    assert f"The agent made load ({LOAD})" in done.err
    assert "wears flash memory" in done.err
    record = RunReader(place.root / "loaded").record
    assert record.requested["board"]["load"]["memory_bytes"] == 8 << 20
    assert record.in_effect["load"]["memory_bytes"] == 8 << 20
    assert record.activity["load_made"] is True
    assert record.environment_after["during"]["load"]["done"]["memory"]["bytes"] > 0
    assert place.run("measure", "--out", "plain").code == 0
    told = place.run("compare", "loaded", "plain", "--json").document["differences"]
    assert told["load"] == {LOAD: ["A"], "none": ["B"]}
    place.nothing_left()


@pytest.mark.parametrize("victim", ["session", "host"])
def test_load_is_gone_when_somebody_is_killed(place: Workplace, victim: str) -> None:
    place.write(bench_text(count=100_000))
    running = place.start("measure", "--load", LOAD, "--out", "run")
    running.until_committed(place.root / "run")
    load = idle_priority(place)
    assert len(load) == 4
    parents = {int(Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[1]) for pid in load}
    (session,) = parents
    if victim == "session":
        os.kill(session, signal.SIGKILL)
    else:
        running.signal(signal.SIGKILL)
    running.end()
    place.nothing_left()


def test_slips_are_explained(place: Workplace) -> None:
    place.write(bench_text())
    explained(place.run("measure", "--load", "cpu=many"), 2, "board.gate.load", "whole number")
    explained(place.run("measure", "--responder", "ghost"), 2, "board.gate.responder", "'floor'")
    explained(place.run("measure", "--responder", "floor", PATH="/nowhere"), 2, "C compiler", "floor_program")
    explained(place.run("compare", "--responders", "agent,external"), 2, "agent and floor")
    place.write(bench_text(board='floor_program = "relative"'))
    explained(place.run("measure", "--responder", "floor"), 2, "a path on the board")


def test_agent_and_floor_in_turn(place: Workplace) -> None:
    need("cc", "gcc", "libc6-dev")
    place.write(bench_text(count=200))
    done = place.run("compare", "--responders", "agent,floor", "--rounds", "1", "--out", "series")
    assert done.code == 0, done.err
    for number, name in enumerate(("virtual-agent", "virtual-floor")):
        reader = RunReader(place.root / "series" / f"r01-{name}")
        assert reader.record.in_effect["responder"] == ("agent", "floor")[number]
        assert reader.board().edge_ns.size == 200
        assert name in done.out
    told = place.run("compare", "series/r01-virtual-agent", "series/r01-virtual-floor", "--json").document
    assert told["differences"]["language"] == {"managed (Python)": ["A"], "native (C)": ["B"]}


def test_an_inspection_says_who_can_answer(place: Workplace) -> None:
    need("cc", "gcc", "libc6-dev")
    place.write(bench_text())
    bare, whole = place.run("inspect", PATH="/nowhere"), place.run("inspect")
    assert (bare.code, whole.code) == (0, 0)
    assert "  floor     no: there is none of the C compilers cc, gcc, clang, tcc" in bare.out
    assert "floor_program" in bare.out
    assert "  floor     available" in whole.out
