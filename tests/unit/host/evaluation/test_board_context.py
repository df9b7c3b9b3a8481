"""Readings of a board summed up, and in the words of the tables."""

from pathlib import Path

import numpy as np
import pytest

from edgereply.config.power import Accuracy, Power
from edgereply.errors import SettingError
from edgereply.evaluation.board_context import Context, context_notes, context_of, pooled
from edgereply.exchange.imports.power_log import PowerLog
from edgereply.exchange.imports.power_log_join import join_log, join_series, parse_log_options, with_power_log
from edgereply.report.tables.context_rows import context_columns, context_group, degrees_cell, watts_cell
from edgereply.storage.run_reader import RunReader
from edgereply.storage.run_writer import RunWriter
from edgereply.storage.series_record import SeriesRecord
from tests.fakes.records import run_record
from tests.unit.host.report.runs import run

HEAT = "gauge thermal_zone0 cpu-thermal"


def readings(**levels: list[int]) -> list[dict[str, int]]:
    names = {
        "heat": HEAT,
        "khz": "gauge policy0 kHz",
        "rail": "gauge supply power1_input",
        "free": "gauge MemAvailable kB",
    }
    names |= {"load": "gauge load milli", "slow": "gauge slowing cooling_device0 cpufreq-cpu0"}
    names |= {"throttle": "count throttle cpu0 core", "board": "gauge board temp1_input"}
    return [{names[key]: values[n] for key, values in levels.items()} for n in range(len(next(iter(levels.values()))))]


def test_a_run_is_summed_up() -> None:
    taken = readings(
        heat=[40_000, 50_000], khz=[600_000, 1_500_000], rail=[2_000_000, 3_000_000], free=[900, 800], load=[100, 300],
        board=[70_000, 71_000],
    )  # fmt: skip
    found = context_of(taken, {}, None, 5, 9)
    assert found["temperature"] == {"sensor": "thermal_zone0 cpu-thermal", "mean_mc": 45_000, "max_mc": 50_000}
    assert found["frequency"] == {"min_khz": 600_000, "max_khz": 1_500_000}
    assert (found["power"]["from"], found["power"]["mean_uw"], found["power"]["max_uw"]) == (
        "hwmon",
        2_500_000,
        3_000_000,
    )
    assert found["memory"] == {"least_available_kb": 800}
    assert found["load"] == {"mean_milli": 200, "max_milli": 300}
    assert found["throttled"] == {"watched": False, "signs": []}
    assert (found["readings"], found["began_ns"], found["ended_ns"]) == (2, 5, 9)


def test_a_sensor_that_is_not_connected_is_no_temperature() -> None:
    found = context_of(readings(heat=[-274_000, -274_000], board=[30_000, 31_000]), {})
    assert found["temperature"]["sensor"] == "board temp1_input"
    assert "temperature" not in context_of(readings(heat=[255_000]), {})


def test_throttling_is_told_by_counts_and_cooling_states() -> None:
    assert context_of(readings(throttle=[7, 7], slow=[0, 0]), {})["throttled"] == {"watched": True, "signs": []}
    signs = context_of(readings(throttle=[7, 9], slow=[0, 2]), {})["throttled"]["signs"]
    assert signs == ["cpu0 core throttled 2 times", "slowing cooling_device0 cpufreq-cpu0 in 1 of 2 readings"]
    assert not context_of(readings(throttle=[7]), {})["throttled"]["watched"], "one count says nothing of a change"


def test_the_words_are_never_blank() -> None:
    typed = Power(value_uw=3_100_000, accuracy_uw=100_000)
    assert watts_cell({}).value == degrees_cell({}).value == "not read"
    assert watts_cell(context_of(readings(load=[1]), {})).value == "no sensor"
    assert watts_cell(context_of([], {}, typed)).value == "3.10 W ± 0.10 W (typed)"
    # The board's own sensor knows better than somebody's one reading.
    assert watts_cell(context_of(readings(rail=[2_000_000]), {}, typed)).value == "2.00 W"
    assert degrees_cell(context_of(readings(heat=[40_000, 51_250]), {})).value == "at most 51.2 °C, mean 45.6 °C"
    for contexts in ({}, context_of([], {}), context_of(readings(load=[1], throttle=[1]), {})):
        view = run([1], summary={"context": contexts})
        assert all(cell.value for row in context_group([view]).rows for cell in row.cells)


def test_a_column_that_nobody_has_is_said_in_words_instead() -> None:
    typed, bare = context_of(readings(load=[1]), {}, Power(value_uw=3_100_000)), context_of([], {})
    headings, lines, absent = context_columns([typed, bare])
    assert headings == ["power"]
    assert [[cell.value for cell in line] for line in lines] == [["3.10 W (typed)"], ["not read"]]
    assert absent == ["Of every line, temperature: no sensor or not read."]
    assert context_columns([context_of(readings(heat=[40_000], rail=[1]), {})])[2] == []


def test_a_meter_s_error_is_the_same_in_every_run_and_not_averaged_away() -> None:
    def metered(mean_uw: int, rows: int) -> Context:
        log = PowerLog("m.csv", np.arange(rows, dtype=float), np.full(rows, mean_uw / 1e6), False)
        return with_power_log(context_of(readings(heat=[40_000]), {}), log, Accuracy(share=0.01))

    both = pooled([metered(2_000_000, 10), metered(4_000_000, 30), {}])
    assert both["power"]["mean_uw"] == 3_500_000, "weighted by rows"
    assert both["power"]["accuracy_uw"] == 40_000, "the worst one"
    assert watts_cell(both).value == "3.500 W ± 0.040 W (meter)"
    assert pooled([]) == pooled([{}]) == {}
    mixed = pooled([metered(2_000_000, 10), context_of([], {}, Power(value_uw=1_000_000))])
    assert mixed["power"]["from"] == "log / typed"
    assert mixed["power"]["accuracy_uw"] is None
    some = pooled([metered(2_000_000, 10), context_of(readings(heat=[60_000]), {})])
    assert some["power"]["runs_without"] == 1
    assert some["temperature"]["max_mc"] == 60_000


def test_notes_say_what_measured_it() -> None:
    found = context_of(readings(rail=[1, 2], heat=[40_000, 41_000], throttle=[1, 3]), {})
    text = " ".join(context_notes(found))
    assert "sensor supply power1_input of the board; its accuracy is not stated" in text
    assert "Throttled: cpu0 core throttled 2 times." in text
    assert "one reading for the whole board" in context_notes(context_of([], {}, Power(value_uw=1)))[0]


def run_of(board: str, directory: Path, began_s: int) -> None:
    context = context_of([], {}, None, began_s * 10**9, (began_s + 10) * 10**9)
    record = run_record(board=board, summary={"stimuli": 0}, context=context)
    RunWriter(directory, record).finish("complete", "")


def test_a_log_goes_into_the_records_of_its_board_s_blocks(tmp_path: Path) -> None:
    run_of("gate", tmp_path / "r1", 2_000_000_000)
    run_of("belt", tmp_path / "r2", 2_000_000_000)
    log = tmp_path / "gate.csv"
    log.write_text("time,watts\n" + "".join(f"{2_000_000_000 + n},{n}\n" for n in range(60)))
    blocks = [
        {"round": 1, "condition": c, "run": r, "seed": 1, "state": "complete"} for c, r in (("a", "r1"), ("b", "r2"))
    ]
    series = SeriesRecord(
        tool="t", created="c", board="gate, belt", order_seed=1, conditions={"a": {}, "b": {}},
        blocks=blocks,  # type: ignore[arg-type]
    )  # fmt: skip
    join_series(tmp_path, series, {"gate": log}, Accuracy(share=0.02))
    record = RunReader(tmp_path / "r1").record
    assert record.context["power"]["mean_uw"] == 5_000_000, "rows 0 to 10 are those of the run"
    assert record.summary["context"]["power"]["accuracy_uw"] == 100_000
    assert "power" not in RunReader(tmp_path / "r2").record.context
    log.write_text("time,watts\n0,1\n1,1\n")
    join_log(tmp_path / "r1", PowerLog("x", np.array([0.0, 1.0]), np.array([1.0, 1.0]), False), None)
    assert RunReader(tmp_path / "r1").record.context["power"]["whole_log"] is True
    with pytest.raises(SettingError, match="which block they belong to"):
        join_series(tmp_path, series, {"gate": log}, None)


def test_logs_are_named_by_board(tmp_path: Path) -> None:
    assert parse_log_options(["a.csv"], ["gate"]) == {"gate": Path("a.csv")}
    assert parse_log_options(["gate=a.csv", "belt=b.csv"], ["gate", "belt"]) == {
        "gate": Path("a.csv"),
        "belt": Path("b.csv"),
    }
    for words, why in (
        (["a.csv"], "several boards"),
        (["crane=a.csv"], "is not measured"),
        (["gate=a", "gate=b"], "two logs"),
    ):
        with pytest.raises(SettingError, match=why):
            parse_log_options(words, ["gate", "belt"])
