"""The virtual source as a process: every fault seen from the host, and nothing left behind."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from edgereply.errors import SettingError, SourceError
from edgereply.sources.base import SourceBatch, StimulusPlan
from edgereply.sources.registry import create_source
from edgereply.sources.simulator.faults import Faults
from edgereply.sources.simulator.source import VirtualSource
from edgereply.storage.stamps import FALL, RISE, STIMULUS
from tests.conformance.pulse_source import whole_run
from tests.fakes.wires_responder import WiresResponder

PLAN = StimulusPlan(period_ns=2_000_000, floor_ns=500_000, count=50)


def faulty(faults: Faults, plan: StimulusPlan = PLAN) -> tuple[SourceBatch, list[int]]:
    """A run with an answering board; also the stamps of the edges that reached it."""
    source = VirtualSource(faults)
    try:
        with WiresResponder(source.wires) as board:
            batch = whole_run(source, plan)
    finally:
        source.close()
    return batch, board.edges_ns


def read_until_error(source: VirtualSource, found: list[SourceBatch]) -> None:
    """Read on and on; what comes is appended to `found`."""
    for _ in range(1000):
        batch = source.read(5.0)
        assert batch is not None
        assert not batch.done
        found.append(batch)


def count(batch: SourceBatch, kind: int) -> int:
    return int((batch.kind == kind).sum())


def test_drop() -> None:
    batch, edges = faulty(Faults(drop=1.0))
    assert (count(batch, STIMULUS), count(batch, RISE), len(edges)) == (50, 0, 0)


def test_drop_now_and_then() -> None:
    batch, edges = faulty(Faults(drop=0.3))
    assert count(batch, STIMULUS) == 50
    assert 0 < len(edges) < 50
    assert count(batch, RISE) == len(edges)


def test_duplicate() -> None:
    batch, edges = faulty(Faults(duplicate=1.0))
    assert (count(batch, STIMULUS), len(edges), len(set(edges))) == (50, 100, 50)


def test_late() -> None:
    """Every edge is sent on 3 ms after its stimulus was stamped, so no answer can come earlier."""
    plan = StimulusPlan(pattern="periodic", period_ns=10_000_000, count=20)
    batch, edges = faulty(Faults(late=1.0, late_us=3000), plan)
    assert len(edges) == 20
    rises_ns, stimuli_ns = batch.at_ns[batch.kind == RISE], batch.at_ns[batch.kind == STIMULUS]
    assert (rises_ns - stimuli_ns).min() >= 2_999_900  # less a tick and the clock's 20 ppm


def test_stuck_line() -> None:
    batch, edges = faulty(Faults(stuck_after_ms=0))
    assert (count(batch, STIMULUS), count(batch, RISE), count(batch, FALL), len(edges)) == (50, 0, 0, 50)


def test_stuck_line_later_on() -> None:
    batch, _ = faulty(Faults(stuck_after_ms=100), StimulusPlan(period_ns=2_000_000, floor_ns=500_000, count=150))
    assert 0 < count(batch, RISE) < 150
    last_ns = batch.at_ns[batch.kind == RISE].max()
    assert last_ns - batch.at_ns[0] < 100_000_000


def test_spurious() -> None:
    source = VirtualSource(Faults(spurious=1.0))
    batch = whole_run(source, PLAN)
    source.close()
    assert count(batch, STIMULUS) == 50
    assert 0 < count(batch, RISE) <= 50
    assert abs(count(batch, RISE) - count(batch, FALL)) <= 1
    edges = batch.kind[batch.kind != STIMULUS]
    assert (edges[::2] == RISE).all()
    assert (edges[1::2] == FALL).all()


def test_garbage() -> None:
    """Random bytes among the records are an error, never a hang or a finished run."""
    source = VirtualSource(Faults(garbage=1.0))
    source.arm(PLAN)
    source.start()
    with pytest.raises(SourceError, match="damaged"):
        read_until_error(source, [])
    source.close()


def test_unplug() -> None:
    source = VirtualSource(Faults(unplug_after=20))
    source.arm(StimulusPlan(period_ns=10_000_000, floor_ns=500_000, count=100))
    source.start()
    batches: list[SourceBatch] = []
    with pytest.raises(SourceError, match="unplugged"):
        read_until_error(source, batches)
    source.close()
    assert 1 <= sum(count(batch, STIMULUS) for batch in batches) <= 20


def test_the_clock_is_its_own() -> None:
    """Ticks per host nanosecond are off by the drift asked for: stamps of stimulus and board edge, fitted."""
    source = VirtualSource(drift_ppm=5000.0)
    with WiresResponder(source.wires) as board:
        batch = whole_run(source, PLAN)
    source.close()
    source_ns = batch.at_ns[batch.kind == STIMULUS]
    ratio = (source_ns[-1] - source_ns[0]) / (board.edges_ns[-1] - board.edges_ns[0])
    assert ratio == pytest.approx(1.005, abs=1e-5)


def test_the_stamps_are_those_of_the_board_less_only_an_offset() -> None:
    """The same stimulus on both clocks: the difference is constant to a tick when there is no drift."""
    source = VirtualSource(drift_ppm=0.0)
    with WiresResponder(source.wires) as board:
        batch = whole_run(source, PLAN)
    source.close()
    difference = batch.at_ns[batch.kind == STIMULUS] - np.array(board.edges_ns)
    assert np.ptp(difference) <= 63


def test_levels() -> None:
    source = VirtualSource()
    assert source.level() == 0
    with WiresResponder(source.wires) as board:
        board.drive(1)
        assert source.level() == 1
    assert source.level() == 0
    source.close()


def test_a_run_starting_high_has_a_fall_first() -> None:
    source = VirtualSource(Faults(stuck_after_ms=None))
    with WiresResponder(source.wires) as board:
        board.drive(1)
        assert source.level() == 1
        batch = whole_run(source, PLAN)
    source.close()
    assert batch.kind[batch.kind != STIMULUS][0] == FALL


def test_three_sources_have_three_clocks() -> None:
    origins = set()
    for seed in (1, 2, 3):
        source = VirtualSource(seed=seed)
        assert source.identity.serial == f"V{seed:08d}"
        origins.add(int(whole_run(source, StimulusPlan(count=1)).at_ns[0]) // 10_000_000_000)
        source.close()
    assert len(origins) == 3


def test_from_the_table() -> None:
    source = create_source("virtual", {"seed": 5, "drop": 1})
    assert source.identity.virtual
    source.close()


@pytest.mark.parametrize("options", [{"drop": 3}, {"dorp": 1}, {"port": "/dev/null"}])
def test_impossible_options(options: dict[str, object]) -> None:
    with pytest.raises(SettingError):
        create_source("virtual", options)


def test_one_that_does_not_start(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PYTHONHOME", "/nonexistent")
    with pytest.raises(SourceError, match="the virtual source did not start"):
        VirtualSource()


# Nothing left behind


@pytest.fixture
def peer() -> Iterator[tuple[subprocess.Popen[str], str, str]]:
    process = subprocess.Popen(
        [sys.executable, "-m", "edgereply.sources.simulator"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    line = json.loads(process.stdout.readline())
    assert set(line) == {"port", "wires"}
    yield process, line["port"], line["wires"]
    process.kill()
    process.communicate()


def test_it_ends_with_its_input(peer: tuple[subprocess.Popen[str], str, str]) -> None:
    process, _, wires = peer
    assert Path(wires).exists()
    assert Path(wires).parent.stat().st_mode & 0o777 == 0o700
    process.communicate(timeout=10)
    assert process.returncode == 0
    assert not Path(wires).parent.exists()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_signals(peer: tuple[subprocess.Popen[str], str, str], number: signal.Signals) -> None:
    """Ctrl-C reaches the whole terminal; the host decides, so the peer goes on until its input closes."""
    process, _, wires = peer
    os.kill(process.pid, number)
    if number == signal.SIGINT:
        with pytest.raises(subprocess.TimeoutExpired):
            process.wait(0.2)
    process.communicate(timeout=10)
    assert process.returncode == 0
    assert not Path(wires).parent.exists()


def test_a_killed_peer_is_cleared_up_after() -> None:
    source = VirtualSource()
    source.arm(StimulusPlan(count=1000))
    source.start()
    os.kill(source.pid, signal.SIGKILL)
    with pytest.raises(SourceError):
        read_until_error(source, [])
    source.close()
    assert not Path(source.wires).parent.exists()


def test_closing_ends_the_process() -> None:
    source = VirtualSource()
    source.close()
    with pytest.raises(ProcessLookupError):
        os.kill(source.pid, 0)
    assert not Path(source.wires).parent.exists()
    source.close()
