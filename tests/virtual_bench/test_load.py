"""Load made by the agent on a real kernel, and that nothing of it outlives the agent."""

from __future__ import annotations

import pytest

from tests.virtual_bench.bench import VirtualBench

pytestmark = pytest.mark.virtual_board
LOAD = "cpu=1, memory=8M, storage=1M, network=1, duty=40%"
IDLE = "ps -eo cls,ni,args | grep 'edgereply-agent$' | grep -c '^IDL'"


def test_load_is_made_on_the_board_and_idle_is_measured(bench: VirtualBench) -> None:
    bench.write(count=60)
    done = bench.run("measure", "--json", "--no-wiring", "--load", LOAD, "--out", "loaded")
    assert done.code == 0, done.err
    assert "A board under load gets hot" in done.err
    record = bench.reader("loaded").record
    assert record.counts["stimuli"] == 60
    assert record.in_effect["load"]["storage_on"].startswith("/var/tmp (ext4)")
    during = record.environment_after["during"]
    assert during["load"]["ended"] == []
    assert all(next(iter(done.values())) > 0 for done in during["load"]["done"].values())
    assert during["load"]["cpu_ns"] > 10 * during["cpu_ns"]["responder"]
    assert record.activity["load_made"] is True
    assert record.activity["interrupts_per_s"] > 0
    assert record.activity["others_share"] is not None


def test_load_ends_with_an_agent_that_is_killed(bench: VirtualBench) -> None:
    bench.write(count=6000)
    running, _ = bench.start_measuring("--load", LOAD)
    assert bench.board.run(IDLE, 30).strip() == "4"
    found = bench.agents()
    (session,) = (pid for pid, (parent, _) in found.items() if parent not in found)
    bench.board.run(f"kill -9 {session}", 30)
    assert running.end().code == 3
    bench.no_agent_left()
