"""Exported tables, read back by libraries that know nothing of ours and held against the evaluation."""

import csv
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pyarrow.parquet as pq
import pytest

from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.errors import SettingError, StoreError
from edgereply.exchange.export.batches import PAIR_COLUMNS, batches
from edgereply.exchange.export.export_runs import FORMATS, FormatName, export
from edgereply.storage.run_reader import RunReader
from edgereply.storage.run_writer import RunWriter
from edgereply.storage.series_record import SeriesRecord, plan_blocks, save_series
from edgereply.storage.stamps import ObservedEdges
from tests.fakes.records import run_record
from tests.fakes.saved_runs import DEADLINE_NS, HOLES, WIDTH_NS, reactions, save_run, stimuli


def read(path: Path) -> list[dict[str, Any]]:
    """Rows of an exported table, whatever its format, by a reader of another maker."""
    if path.suffix == ".npz":
        return from_numpy(path)
    source = "read_parquet" if path.suffix == ".parquet" else "read_csv"
    with duckdb.connect() as connection:
        cursor = connection.execute(f"SELECT * FROM {source}(?)", [str(path)])
        names = [column[0] for column in cursor.description or []]
        return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]


def from_numpy(path: Path) -> list[dict[str, Any]]:
    with np.load(path, allow_pickle=False) as data:
        columns: dict[str, list[Any]] = {
            name: data[f"{name}s"][data["run_index"]].tolist()
            for name in ("run", "run_id", "board", "route", "wait", "evidence", "virtual")
        }
        columns["clock"] = data["clock_names"][data["clock"]].tolist()
        columns["status"] = data["status_names"][data["status"]].tolist()
        for name in PAIR_COLUMNS:
            if name not in columns:
                column = data[name]
                assert column.dtype == np.int64
                columns[name] = [None if value == data["no_stamp"] else value for value in column.tolist()]
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


@pytest.mark.parametrize("form", ["parquet", "csv", "numpy"])
def test_every_stimulus_is_a_row_with_its_answer(tmp_path: Path, form: FormatName) -> None:
    one, two = tmp_path / "one", tmp_path / "two"
    save_run(one)
    save_run(two, 10, seed=2, holes=(), stamped=False, deadline_ns=None, virtual=False)
    output = tmp_path / {"parquet": "t.parquet", "csv": "t.csv", "numpy": "t.npz"}[form]
    done = export([one, two], form, "pairs", output, lambda _: None)
    rows = read(output)
    assert len(rows) == 70
    assert set(rows[0]) == set(done.columns)
    truth, at = reactions(60), stimuli(60)
    for index, row in enumerate(rows[:60]):
        assert (row["run"], row["run_id"], row["board"], row["wait"]) == (str(one), "id-one", "gate", "block")
        assert (row["evidence"], bool(row["virtual"]), row["clock"]) == ("joined", True, "source")
        assert (row["stimulus_index"], row["stimulus_ns"]) == (index, at[index])
        if index in HOLES:
            assert row["status"] == "missed"
            assert all(row[n] is None for n in ("rise_ns", "fall_ns", "reaction_ns", "pulse_width_ns", "late"))
            assert row["wake_delay_ns"] is None
            continue
        assert row["status"] == "paired"
        assert row["reaction_ns"] == row["rise_ns"] - row["stimulus_ns"] == truth[index]
        assert row["pulse_width_ns"] == row["fall_ns"] - row["rise_ns"] == WIDTH_NS
        assert bool(row["late"]) == (truth[index] > DEADLINE_NS)
        assert row["wake_delay_ns"] == truth[index] - 2_900
        assert (row["set_time_ns"], row["hold_ns"], row["outside_ns"]) == (2_000, WIDTH_NS, 900)
    assert any(row["late"] for row in rows[:60])
    for row in rows[60:]:
        assert (row["evidence"], bool(row["virtual"])) == ("loop-back", False)
        assert row["late"] is None
        assert row["outside_ns"] is None


@pytest.mark.parametrize("form", ["parquet", "csv"])
def test_raw_rows_are_the_stamps_as_they_were_written(tmp_path: Path, form: FormatName) -> None:
    save_run(tmp_path / "run")
    output = tmp_path / f"t.{form}"
    export([tmp_path / "run"], form, "raw", output, lambda _: None)
    rows = read(output)
    stamps, board = RunReader(tmp_path / "run").source(), RunReader(tmp_path / "run").board()
    for clock, expected in (("source", stamps), ("board", board)):
        of_clock = [row for row in rows if row["clock"] == clock]
        for name in expected.__slots__:
            column = [None if v == NO_STAMP else v for v in getattr(expected, name).tolist()]
            assert [row[name] for row in of_clock] == column, name
    assert len(rows) == len(stamps.stimulus_ns) + len(board.edge_ns)


def test_raw_rows_of_edges_that_were_only_watched(tmp_path: Path) -> None:
    writer = RunWriter(tmp_path / "run", run_record())
    kinds, at = np.array([1, 2, 3, 2, 4], np.uint8), np.array([10, 40, 90, 900, 900], np.int64)
    writer.add_observed(ObservedEdges(at, kinds, np.array([7, 1, 2, 3, 3], np.uint32)))
    writer.finish("complete", "")
    export([tmp_path / "run"], "csv", "raw", tmp_path / "t.csv", lambda _: None)
    rows = [[row[n] for n in ("clock", "edge_ns", "rise_ns", "fall_ns", "seqno")] for row in read(tmp_path / "t.csv")]
    assert rows == [
        ["board", 10, None, None, 7], ["board", None, 40, None, 1], ["board", None, None, 90, 2],
        ["board", None, 900, None, 3], ["board", None, None, None, 3],
    ]  # fmt: skip


def test_raw_rows_in_a_numpy_archive(tmp_path: Path) -> None:
    save_run(tmp_path / "run")
    export([tmp_path / "run"], "numpy", "raw", tmp_path / "t.npz", lambda _: None)
    stamps, board = RunReader(tmp_path / "run").source(), RunReader(tmp_path / "run").board()
    with np.load(tmp_path / "t.npz", allow_pickle=False) as data:
        of_source = data["clock"] == 0
        assert data["clock_names"].tolist() == ["source", "board"]
        assert np.array_equal(data["rise_ns"][of_source], stamps.rise_ns)
        assert np.array_equal(data["set_ns"][~of_source], board.set_ns)
        assert np.array_equal(data["line_seqno"][~of_source], board.line_seqno)
        assert (data["set_ns"][of_source] == data["no_stamp"]).all()


def test_what_the_board_alone_stamped_says_whose_clock_it_is(tmp_path: Path) -> None:
    source = {"kind": "generator", "captures": False}
    save_run(tmp_path / "run", 12, holes=(), source=source)
    export([tmp_path / "run"], "parquet", "pairs", tmp_path / "t.parquet", lambda _: None)
    rows = read(tmp_path / "t.parquet")
    board = RunReader(tmp_path / "run").board()
    assert {(row["evidence"], row["clock"]) for row in rows} == {("inside", "board")}
    assert [row["stimulus_ns"] for row in rows] == board.edge_ns.tolist()
    assert [row["rise_ns"] for row in rows] == board.set_ns.tolist()
    assert [row["fall_ns"] for row in rows] == board.clear_ns.tolist()


def test_a_series_gives_its_blocks_in_order_without_warm_ups(tmp_path: Path) -> None:
    blocks = plan_blocks(["block", "spin"], 2, 1, 1)
    for block in blocks[:3]:
        save_run(tmp_path / "s" / block.run, 8, holes=())
    save_run(tmp_path / "s" / f"{blocks[0].run}-warm-up", 8, holes=())
    conditions: dict[str, dict[str, str]] = {"block": {}, "spin": {}}
    series = SeriesRecord(
        tool="t", created="", board="gate", order_seed=1, conditions=conditions, blocks=blocks
    )  # fmt: skip
    save_series(tmp_path / "s", series)
    done = export([tmp_path / "s"], "parquet", "pairs", tmp_path / "t.parquet", lambda _: None)
    assert [run["run"] for run in done.runs] == [str(tmp_path / "s" / block.run) for block in blocks[:3]]
    assert [run["rows"] for run in done.runs] == [8, 8, 8]


def test_rows_come_in_batches_of_bounded_size(tmp_path: Path) -> None:
    save_run(tmp_path / "run", 60)
    sizes = [batch.rows for batch in batches(tmp_path / "run", "pairs", 25)]
    assert sizes == [25, 25, 10]
    whole = next(batches(tmp_path / "run", "pairs")).values["reaction_ns"]
    pieces = [batch.values["reaction_ns"] for batch in batches(tmp_path / "run", "pairs", 7)]
    assert np.array_equal(np.concatenate(pieces), whole)
    assert max(batch.rows for batch in batches(tmp_path / "run", "raw", 10)) == 10


def test_a_run_without_stamps_gives_a_table_without_rows(tmp_path: Path) -> None:
    save_run(tmp_path / "run", 0, holes=())
    names: dict[FormatName, str] = {"parquet": "t.parquet", "csv": "t.csv", "numpy": "t.npz"}
    for form, name in names.items():
        export([tmp_path / "run"], form, "pairs", tmp_path / name, lambda _: None)
    assert pq.read_metadata(tmp_path / "t.parquet").num_rows == 0
    with (tmp_path / "t.csv").open(newline="") as file:
        assert next(csv.reader(file))[-1] == "outside_ns"
    with np.load(tmp_path / "t.npz") as data:
        assert data["reaction_ns"].shape == (0,)


def test_awkward_names_survive_a_csv_file(tmp_path: Path) -> None:
    run = tmp_path / 'a "b", c'
    save_run(run, 3, holes=(), stamped=False, run_id='x,"y"\nz')
    export([run], "csv", "pairs", tmp_path / "t.csv", lambda _: None)
    with (tmp_path / "t.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [(row["run"], row["run_id"]) for row in rows] == [(str(run), 'x,"y"\nz')] * 3


@pytest.mark.parametrize("kind", ["file", "directory", "dangling link"])
def test_nothing_is_overwritten(tmp_path: Path, kind: str) -> None:
    save_run(tmp_path / "run", 3, holes=())
    output = tmp_path / "t.csv"
    if kind == "file":
        output.write_text("mine")
    elif kind == "directory":
        output.mkdir()
    else:
        output.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(SettingError, match="nothing is overwritten"):
        export([tmp_path / "run"], "csv", "pairs", output, lambda _: None)
    assert not (tmp_path / "elsewhere").exists()
    assert kind != "file" or output.read_text() == "mine"


def touch(path: Path) -> None:
    path.write_text("mine")


def test_a_file_that_appears_meanwhile_is_not_overwritten(tmp_path: Path) -> None:
    save_run(tmp_path / "run", 3, holes=())
    output = tmp_path / "t.csv"
    with pytest.raises(SettingError, match="nothing is overwritten"):
        export([tmp_path / "run"], "csv", "pairs", output, lambda _: touch(output))
    assert output.read_text() == "mine"


@pytest.mark.parametrize("form", ["parquet", "csv", "numpy", "vcd"])
def test_an_interruption_leaves_nothing(tmp_path: Path, form: FormatName) -> None:
    save_run(tmp_path / "run", 3, holes=())

    def interrupt(_: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        export([tmp_path / "run"], form, "pairs", tmp_path / "t", interrupt)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["run"]


def test_a_place_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    save_run(tmp_path / "run", 3, holes=())
    (tmp_path / "file").write_text("")
    for place in (tmp_path / "absent" / "t.csv", tmp_path / "file" / "t.csv"):
        with pytest.raises(StoreError) as caught:
            export([tmp_path / "run"], "csv", "pairs", place, lambda _: None)
        assert caught.value.where == str(place)
        assert caught.value.remedy


def test_the_same_runs_give_the_same_bytes(tmp_path: Path) -> None:
    save_run(tmp_path / "run")
    for form in FORMATS:
        for copy in (tmp_path / "a", tmp_path / "b"):
            export([tmp_path / "run"], form, "pairs", copy, lambda _: None)
        assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes(), form
        for copy in (tmp_path / "a", tmp_path / "b"):
            copy.unlink()
