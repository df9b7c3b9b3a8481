"""Sweeps on software wires: from plan to table, stopped, killed and resumed."""

from __future__ import annotations

import json
import os
import signal
from pathlib import Path

import pytest
from tests.integration.commands import Workplace, await_that, bench_text, explained

from edgereply.storage.run_reader import RunReader
from edgereply.storage.series_record import SeriesRecord, load_series

PLAN = """
repeats = {repeats}
dwell = "{dwell}"
[axes]
wait = ["block", "spin"]
"""


def prepare(place: Workplace, repeats: int = 2, dwell: str = "1s", options: str = "") -> None:
    place.write(bench_text(options=options))
    place.write(PLAN.format(repeats=repeats, dwell=dwell), "plan.toml")


def series(place: Workplace) -> SeriesRecord:
    return load_series(place.root / "series")


def whole(place: Workplace) -> None:
    """Every block is complete and holds what was asked for."""
    for block in series(place).blocks:
        assert block.state == "complete"
        record = RunReader(place.root / "series" / block.run).record
        assert record.state == "complete"
        assert record.in_effect["wait"] == block.condition
        assert record.counts["stimuli"] == 500


def test_a_sweep_shows_its_plan_then_its_table(place: Workplace) -> None:
    prepare(place)
    done = place.run("sweep", "plan.toml", "--dry-run", "--out", "series")
    assert done.code == 0, done.err
    assert "order seed 1; 4 blocks to measure, about" in done.out
    assert not (place.root / "series").exists()
    done = place.run("sweep", "plan.toml", "--out", "series", "--details")
    assert done.code == 0, done.err
    whole(place)
    lines = [line for line in done.out.splitlines() if line.startswith(("block", "spin"))]
    assert len(lines) == 4, "the table with intervals, then the answer"
    assert all("VIRTUAL" in line and "2/2" in line for line in lines[:2])
    assert "block 4 of 4" in done.err
    assert "left in all" in done.err


def test_json_is_one_document(place: Workplace) -> None:
    prepare(place, repeats=1)
    done = place.run("sweep", "plan.toml", "--out", "series", "--json")
    assert done.code == 0, done.err
    assert {item["condition"] for item in done.document["conditions"]} == {"block", "spin"}
    assert all(item["virtual"] and item["stimuli"] == 500 for item in done.document["conditions"])
    plan = place.run("sweep", "plan.toml", "--dry-run", "--json")
    assert len(plan.document["blocks"]) == 2


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_stopped_and_resumed(place: Workplace, number: signal.Signals) -> None:
    prepare(place)
    running = place.start("sweep", "plan.toml", "--out", "series", "--json")
    second = place.root / "series" / load_or_wait(running, place).blocks[1].run
    running.until((second / "run.json").exists, "a second block")
    running.signal(number)
    done = running.end()
    assert done.code == 130, done.err
    assert "Traceback" not in done.err
    assert done.document["interrupted"] is True
    assert [block.state for block in series(place).blocks] == ["complete", "incomplete", "planned", "planned"]
    resume(place, attempts=1)


def test_killed_and_resumed(place: Workplace) -> None:
    prepare(place)
    running = place.start("sweep", "plan.toml", "--out", "series")
    second = place.root / "series" / load_or_wait(running, place).blocks[1].run
    running.until((second / "run.json").exists, "a second block")
    running.signal(signal.SIGKILL)
    running.end()
    await_that(lambda: not place.processes(), lambda: f"still running: {place.processes()}", 20.0)
    assert [block.state for block in series(place).blocks] == ["complete"] + ["planned"] * 3
    first = RunReader(place.root / "series" / series(place).blocks[0].run).record
    resume(place, attempts=1)
    assert RunReader(place.root / "series" / series(place).blocks[0].run).record == first
    assert RunReader(second).cut_off


def test_a_lost_source_fails_one_block_and_exit_code_3_says_so(place: Workplace) -> None:
    prepare(place)
    running = place.start("sweep", "plan.toml", "--out", "series", "--json")
    second = place.root / "series" / load_or_wait(running, place).blocks[1].run
    running.until((second / "run.json").exists, "a second block")
    os.kill(running.source(), signal.SIGKILL)
    done = running.end()
    assert done.code == 3, done.err
    states = [block.state for block in series(place).blocks]
    assert states == ["complete", "failed", "complete", "complete"]
    assert series(place).blocks[1].reason
    resume(place, attempts=1)


def test_giving_up_is_explained(place: Workplace) -> None:
    prepare(place, options="unplug_after = 5")
    done = place.run("sweep", "plan.toml", "--out", "series", "--json")
    explained(done, 3, "3 blocks failed in a row, 1 were not tried", "--resume")
    assert [item["state"] for item in done.document["blocks"]] == ["failed"] * 3 + ["planned"]


@pytest.mark.parametrize(
    ("plan", "words"),
    [
        ("repeats = 0", "repeats = '0'"),
        ("[axes]\nwait = ['nap']", "axes.wait.0 = 'nap'"),
        ("[axes]\nboard = ['crane']", "no board 'crane'"),
        ("bench = 'none.toml'", "none.toml"),
        ("repeats", "not TOML"),
    ],
)
def test_a_bad_plan_is_explained(place: Workplace, plan: str, words: str) -> None:
    place.write(bench_text())
    place.write(plan, "plan.toml")
    explained(place.run("sweep", "plan.toml", "--out", "series"), 2, words)
    assert not (place.root / "series").exists()


def load_or_wait(running: object, place: Workplace) -> SeriesRecord:
    await_that((place.root / "series" / "series.json").exists, lambda: "no series was begun")
    return series(place)


def resume(place: Workplace, attempts: int) -> None:
    """Resume, and find everything measured, earlier attempts kept, and nothing to do a second time."""
    there = {path for path in (place.root / "series").rglob("*") if path.is_file()}
    done = place.run("sweep", "plan.toml", "--out", "series", "--resume")
    assert done.code == 0, done.err
    whole(place)
    assert sum(len(block.attempts) for block in series(place).blocks) == attempts
    assert all(path.exists() for path in there)
    before = json.loads((place.root / "series" / "series.json").read_text())
    done = place.run("sweep", "plan.toml", "--out", "series", "--resume")
    assert done.code == 0, done.err
    assert "0 of 4 blocks to measure" in done.err
    assert json.loads((place.root / "series" / "series.json").read_text()) == before


def test_a_board_busy_for_a_millisecond_saturates_below_a_thousand_a_second(place: Workplace) -> None:
    place.write(bench_text(board='hold = "1ms"'))
    place.write("count = 400", "plan.toml")
    range_ = ["--saturation", "100/s to 4000/s"]
    done = place.run("sweep", "plan.toml", *range_, "--out", "probes", "--json")
    assert done.code == 0, done.err
    document = done.document
    assert document["virtual"] is True
    # It answers one stimulus a millisecond at most, whatever else this computer does.
    assert document["kept_up_ns"] > 0.99e6
    assert document["lost_ns"] is not None
    assert 0 < document["share_bound"] < 0.02
    assert json.loads((place.root / "probes" / "saturation.json").read_text())["kept_up_ns"] == document["kept_up_ns"]
    for probe in document["probes"]:
        record = RunReader(place.root / probe["run"]).record
        assert record.requested["stimulus"]["rate"] == probe["period_ns"]
        assert probe["late"] == record.counts["late"]
    explained(place.run("sweep", "plan.toml", *range_, "--out", "probes"), 2, "not empty")
    explained(place.run("sweep", "plan.toml", *range_, "--resume", "--out", "x"), 2, "neither --resume")
    explained(place.run("sweep", "plan.toml", "--saturation", "fast", "--out", "x"), 2, "not a range")


def test_resume_without_a_series(place: Workplace) -> None:
    prepare(place)
    explained(place.run("sweep", "plan.toml", "--resume"), 2, "nothing to resume")
    explained(place.run("sweep", "plan.toml", "--resume", "--out", "series"), 2, "not a series")
    assert not Path(place.root / "series").exists()
