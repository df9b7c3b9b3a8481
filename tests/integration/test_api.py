"""The package from a program and the command line on the same runs: the same numbers, by one way to them."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from tests.fakes.saved_runs import save_run
from tests.integration.commands import Workplace, bench_text

import edgereply


def plain(document: Any) -> Any:
    """As JSON has it."""
    return json.loads(json.dumps(document, allow_nan=False))


@pytest.fixture
def there(place: Workplace, monkeypatch: pytest.MonkeyPatch) -> Workplace:
    """A workplace that this process is in too, so that both name the same runs the same."""
    monkeypatch.chdir(place.root)
    return place


def test_one_run_asked_both_ways(there: Workplace) -> None:
    save_run(there.root / "run", 400)
    save_run(there.root / "other", 400, seed=2)
    run = edgereply.open_run("run")
    for options, verdict in (
        (["--deadline", "3ms", "--exceed", "10%", "--confidence", "0.9"], run.verdict("3ms", "10%", confidence=0.9)),
        (["--tail", "--together", "2"], run.verdict(tail=True, together=2)),
    ):
        done = there.run("verdict", "run", "--json", *options)
        assert done.document == plain(verdict.as_dict())
        assert done.code == (0 if verdict else 1)
    told = there.run("explain", "run", "--late-above", "35us", "--json").document
    assert told == plain(run.explain("35us").as_dict()) == plain(run.explain(35_000).as_dict())
    compared = there.run("compare", "run", "other", "--deadline", "1ms", "--matters", "1%", "--json").document
    assert compared == plain(edgereply.compare(run, "other", deadline="1ms", matters="1%").as_dict())
    drawn = there.run("report", "run", "--figure", "tail", "-o", "tail.svg", "--size", "640x480", "--json")
    (reported,) = drawn.document["runs"]
    assert {name: reported[name] for name in run.summary} == plain(run.summary)
    assert (there.root / "tail.svg").read_bytes() == run.figure("tail").to_bytes("svg", "640x480")


def test_a_measurement_from_a_program(there: Workplace) -> None:
    there.write(bench_text(count=60))
    said: list[str] = []
    run = edgereply.measure("bench.toml", out="run", count=40, deadline="30ms", seed=7, say=said.append)
    assert (run.state, run.counts["stimuli"], run.deadline_ns) == ("complete", 40, 30_000_000)
    assert run.record["requested"]["stimulus"]["seed"] == 7
    assert said[-1] == "evaluating"
    done = there.run("measure", "--out", "typed", "--count", "40", "--json")
    typed = edgereply.open_run("typed").as_dict()
    assert done.document == plain(typed)
    assert list(typed) == list(run.as_dict())
    with pytest.raises(edgereply.DataError, match="not empty"):
        edgereply.measure("bench.toml", out="run")
    with pytest.raises(edgereply.SettingError, match="wait"):
        edgereply.measure("bench.toml", wait="doze")
    with pytest.raises(edgereply.SettingError, match=r"none\.toml"):
        edgereply.measure("none.toml")


def test_trouble_during_a_run_is_raised_and_says_where_the_rest_is(there: Workplace) -> None:
    there.write(bench_text(options="unplug_after = 20", count=100))
    with pytest.raises(edgereply.SourceError) as caught:
        edgereply.measure("bench.toml", out="run")
    assert caught.value.__notes__ == ["the run is incomplete; what was received is kept in run"]
    assert edgereply.open_run("run").state == "incomplete"


def test_ctrl_c_ends_a_measurement_and_keeps_what_was_measured(there: Workplace) -> None:
    there.write(bench_text(count=100_000))
    program = (
        "import edgereply, os, pathlib, signal, threading, time\n"
        "def interrupt():\n"
        "    while not list(pathlib.Path().glob('run/stamps/part-*.parquet')): time.sleep(0.05)\n"
        "    os.kill(os.getpid(), signal.SIGINT)\n"
        "threading.Thread(target=interrupt, daemon=True).start()\n"
        "edgereply.measure('bench.toml', out='run')\n"
    )
    env = {**os.environ, "TMPDIR": str(there.temporary)}
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=90, env=env)
    assert "KeyboardInterrupt\nwhat was measured until then is kept in run" in done.stderr
    assert edgereply.open_run("run").state == "incomplete"


def test_a_sweep_from_a_program(there: Workplace) -> None:
    there.write(bench_text(count=60))
    plan = {"repeats": 2, "count": 40, "order_seed": 5, "axes": {"wait": ["block", "spin"]}}
    series = edgereply.sweep(plan, "bench.toml", out="series")
    assert series.conditions == {"block": {"wait": "block"}, "spin": {"wait": "spin"}}
    assert [run.counts["stimuli"] for run in series.runs] == [40] * 4
    compared = there.run("compare", "series", "--json").document
    assert compared == plain(series.compare().as_dict())
    again = edgereply.sweep(plan, "bench.toml", out="series", resume=True)
    assert again.record == series.record
    with pytest.raises(edgereply.SettingError, match="order_seed was 5, is 6"):
        edgereply.sweep(plan | {"order_seed": 6}, "bench.toml", out="series", resume=True)
    with pytest.raises(edgereply.DataError, match="not empty"):
        edgereply.sweep(plan, "bench.toml", out=Path("series"))


def planned(series: edgereply.SavedSeries) -> list[tuple[str, int]]:
    """Blocks of a series in their order, each with the seed of its arrivals."""
    return [(run.path.name, run.record["requested"]["stimulus"]["seed"]) for run in series.runs]


def test_waits_measured_in_turns_from_a_program(there: Workplace) -> None:
    there.write(bench_text(count=60))
    said: list[str] = []
    series = edgereply.measure_in_turns(
        "bench.toml", waits=["block", "spin"], rounds=2, count=40, order_seed=5, out="series", say=said.append
    )
    assert [run.counts["stimuli"] for run in series.runs] == [40] * 4
    assert sum(line.startswith("block ") for line in said) == 4
    options = ("--waits", "block,spin", "--rounds", "2", "--count", "40", "--order-seed", "5", "--out", "typed")
    done = there.run("compare", *options, "--json")
    assert done.code == 0, done.err
    typed = edgereply.open_series("typed")
    # One way of planning, and one of comparing; the times are this computer's and differ.
    assert typed.conditions == series.conditions
    assert planned(typed) == planned(series)
    assert done.document["comparison"] == plain(typed.compare().as_dict())
    with pytest.raises(edgereply.SettingError, match="nothing to compare"):
        edgereply.measure_in_turns("bench.toml")
    with pytest.raises(edgereply.SettingError, match="0 is not from 1 to 1000"):
        edgereply.measure_in_turns("bench.toml", waits=["block", "spin"], rounds=0)
    with pytest.raises(edgereply.DataError, match="not empty"):
        edgereply.measure_in_turns("bench.toml", waits=["block", "spin"], out="series")
