"""Whatever is killed in the middle of a run: what was measured is kept and readable, and nothing stays behind."""

from __future__ import annotations

import contextlib
import os
import random
import signal
from collections.abc import Callable
from pathlib import Path
from subprocess import TimeoutExpired

import numpy as np
import pyarrow.parquet as pq
import pytest
from tests.integration.commands import Running, Workplace, await_that, bench_text, explained, parts, rows

from edgereply.storage.run_reader import RunReader

LONG = bench_text(rate="500/s", count=60_000)


def begin(place: Workplace) -> tuple[Running, Path]:
    """A long run of which some is on the disk already."""
    place.write(LONG)
    running = place.start("measure", "--json", "--out", "run")
    run = place.root / "run"
    running.until_committed(run)
    return running, run


def output_was_left_low(run: Path) -> None:
    """The last edge on the response wire is a fall, as the source saw it."""
    _, rises, falls = RunReader(run).source().edges()
    assert len(rises) == len(falls) > 0
    assert falls[-1] > rises[-1]


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_stopped_by_the_user(place: Workplace, number: signal.Signals) -> None:
    running, run = begin(place)
    committed = rows(run)
    running.signal(number)
    done = running.end()
    assert done.code == 130, done.err
    assert "Traceback" not in done.err
    record = RunReader(run).record
    assert (record.state, record.reason) == ("incomplete", "stopped by the user")
    assert all(now >= before for now, before in zip(rows(run), committed, strict=True))
    assert done.document["state"] == "incomplete"
    assert done.document["stimuli"] == record.counts["stimuli"] > 0


def test_interrupted_at_a_terminal(place: Workplace) -> None:
    """Ctrl-C reaches the whole foreground process group, the virtual source included."""
    running, run = begin(place)
    os.killpg(running.process.pid, signal.SIGINT)
    done = running.end()
    assert done.code == 130, done.err
    assert RunReader(run).record.reason == "stopped by the user"
    assert rows(run)[0] > 0


def test_an_impatient_user_interrupts_twice(place: Workplace) -> None:
    running, run = begin(place)
    running.signal(signal.SIGINT)
    running.signal(signal.SIGINT)
    done = running.end()
    assert done.code in (3, 130), done.err
    assert "Traceback" not in done.err
    assert rows(run)[0] > 0


def agent_session(running: Running) -> int:
    return running.agent().session


def agent_responder(running: Running) -> int:
    return running.agent().responder


def agent_keeper(running: Running) -> int:
    return running.agent().keeper


@pytest.mark.parametrize("victim", [agent_session, agent_responder, agent_keeper, Running.source])
def test_a_part_of_the_bench_is_killed(place: Workplace, victim: Callable[[Running], int]) -> None:
    running, run = begin(place)
    committed = rows(run)
    os.kill(victim(running), signal.SIGKILL)
    done = running.end()
    explained(done, 3)
    record = RunReader(run).record
    assert record.state == "incomplete"
    assert record.reason
    assert record.reason != "stopped by the user"
    assert all(now >= before > 0 for now, before in zip(rows(run), committed, strict=True))
    assert done.document["state"] == "incomplete"
    if victim is not Running.source:
        output_was_left_low(run)


def test_the_host_is_killed(place: Workplace) -> None:
    """Agent and virtual source end by themselves; the run says that it was cut off."""
    running, run = begin(place)
    committed, names = rows(run), parts(run)
    running.signal(signal.SIGKILL)
    running.end()
    await_that(lambda: not place.processes(), lambda: f"still running: {place.processes()}", 20.0)
    reader = RunReader(run)
    assert reader.cut_off
    assert set(names) <= set(parts(run))
    assert all(now >= before for now, before in zip(rows(run), committed, strict=True))
    done = place.run("report", "run", "-o", "page.html")
    assert done.code == 0, done.err
    assert "cut off" in (place.root / "page.html").read_text(encoding="utf-8")
    assert not list(place.temporary.iterdir())


@pytest.mark.parametrize("seed", range(10))
def test_the_host_is_killed_at_any_moment(place: Workplace, seed: int) -> None:
    """At a random moment of a run of 3 s, its beginning and its end included."""
    moment_s = random.Random(seed).uniform(0.0, 3.6)
    place.write(bench_text(rate="1000/s", count=3_000))
    running = place.start("measure", "--json", "--out", "run")
    run = place.root / "run"
    running.until((run / "run.json").exists, "a run directory")
    with contextlib.suppress(TimeoutExpired):
        running.process.wait(moment_s)
    committed = {folder: [name for name in parts(run) if name.parent.name == folder] for folder in ("stamps", "board")}
    promised = [sum(map(rows_of, names)) for names in committed.values()]
    running.signal(signal.SIGKILL)
    running.end()
    assert all(now >= before for now, before in zip(rows(run), promised, strict=True))
    reader = RunReader(run)
    if not reader.cut_off:
        assert rows(run)[0] >= 3_000
    stimuli = reader.source().edges()[0]
    assert (np.diff(stimuli) > 0).all()
    await_that(lambda: not place.processes(), lambda: f"still running: {place.processes()}", 20.0)
    assert not list(place.temporary.iterdir())


def rows_of(part: Path) -> int:
    return int(pq.read_metadata(part).num_rows)
