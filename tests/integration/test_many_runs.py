"""Very many runs compared by several processes: ended early, nothing of them stays behind."""

from __future__ import annotations

import os
import shutil
import signal
from pathlib import Path

import pytest
from tests.benchmarks.compare_many import make_runs
from tests.integration.commands import Workplace, await_that, explained

RUNS = 60


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Some runs, and copies of them."""
    folder = tmp_path_factory.mktemp("many")
    made = make_runs(folder, 6, 10_000)
    for number in range(6, RUNS):
        shutil.copytree(made[number % 6], folder / f"run-{number:03}")
    return folder


def paths(folder: Path) -> list[str]:
    return [str(path) for path in sorted(folder.iterdir())]


def test_all_are_compared(place: Workplace, runs: Path) -> None:
    done = place.run("compare", "--json", *paths(runs))
    assert done.code == 0, done.err
    medians = [run["reaction"]["median_ns"] for run in done.document["runs"]]
    assert len(medians) == RUNS
    assert medians == medians[:6] * (RUNS // 6)
    assert len(set(medians)) > 3
    place.nothing_left()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
@pytest.mark.parametrize("to_all", [False, True], ids=["alone", "whole group"])
def test_ended_early(place: Workplace, runs: Path, number: signal.Signals, to_all: bool) -> None:
    running = place.start("compare", "--json", *paths(runs) * 5)
    running.until(lambda: len(place.processes()) >= 3, "workers")
    if to_all:
        os.killpg(running.process.pid, number)
    else:
        running.signal(number)
    done = running.end()
    assert done.code == (-9 if number == signal.SIGKILL else 130), done.err
    assert "Traceback" not in done.err
    await_that(lambda: not place.processes(), lambda: f"still there: {place.processes()}")


def test_a_damaged_run_is_named(place: Workplace, runs: Path) -> None:
    bad = place.root / "bad"
    shutil.copytree(runs / "run-000", bad)
    (bad / "run.json").write_text("{}")
    done = place.run("compare", "--json", *paths(runs), str(bad))
    explained(done, 2, "bad/run.json")
