"""Power typed in and power from a meter's log, beside the reaction time."""

from __future__ import annotations

import time

import pytest
from tests.integration.commands import Workplace, bench_text, explained

from edgereply.storage.run_reader import RunReader

MEASURE = ("measure", "--count", "400", "--power", "3.1W±0.1")


def meter_log(place: Workplace, name: str = "meter.csv") -> None:
    """A meter that shows 5 V and 0.4 A, a row each 100 ms from an hour ago for two hours."""
    began = int(time.time()) - 3600
    rows = "".join(f"{began + n / 10:.1f};5,0;0,4\n" for n in range(72_000))
    place.write("Timestamp;Voltage (V);Current (A)\n" + rows, name)


def test_typed_power_stands_beside_the_reaction_time(place: Workplace) -> None:
    place.write(bench_text())
    done = place.run(*MEASURE, "--out", "run", "--details")
    assert done.code == 0, done.err
    assert "3.10 W ± 0.10 W (typed)" in done.out
    assert RunReader(place.root / "run").record.requested["board"]["power"]["accuracy_uw"] == 100_000
    beside = place.run("compare", "run", "run", "--details")
    assert beside.out.count("3.10 W ± 0.10 W (typed)") == 2
    page = place.run("report", "run", "-o", "page.html")
    assert page.code == 0, page.err
    assert "3.10 W ± 0.10 W (typed)" in (place.root / "page.html").read_text(encoding="utf-8")


def test_a_meter_s_log_takes_its_place(place: Workplace) -> None:
    place.write(bench_text())
    meter_log(place)
    done = place.run(*MEASURE, "--out", "run", "--power-log", "meter.csv", "--power-accuracy", "±1%", "--json")
    assert done.code == 0, done.err
    power = done.document["context"]["power"]
    assert (power["from"], power["mean_uw"], power["accuracy_uw"]) == ("log", 2_000_000, 20_000)
    # 400 stimuli at 500/s take 0.8 s and more: the log's rows of that time, not the seventy thousand.
    assert 2 <= power["readings"] < 2_000


def test_a_sweep_takes_the_log_when_it_has_ended(place: Workplace) -> None:
    place.write(bench_text())
    place.write('repeats = 1\ncount = 300\n[axes]\nwait = ["block", "spin"]\n', "plan.toml")
    done = place.run("sweep", "plan.toml", "--out", "series", "--details")
    assert done.code == 0, done.err
    assert "power: no sensor" in done.out or " W" in done.out
    meter_log(place)
    words = ("sweep", "plan.toml", "--out", "series", "--resume", "--power-log", "gate=meter.csv")
    done = place.run(*words, "--json")
    assert done.code == 0, done.err
    assert [item["context"]["power"]["mean_uw"] for item in done.document["conditions"]] == [2_000_000] * 2


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("--power", "3 amps"), "board.gate.power = '3 amps'"),
        (("--power-accuracy", "good"), "is not an accuracy"),
        (("--power-log", "none.csv"), "the power log cannot be read"),
    ],
)
def test_bad_power_is_explained(place: Workplace, words: tuple[str, ...], why: str) -> None:
    place.write(bench_text())
    explained(place.run("measure", "--count", "100", "--out", "run", *words), 2, why)
    # A log is read when the run has ended: then the run stays.
    assert (place.root / "run" / "run.json").exists() == ("--power-log" in words)
