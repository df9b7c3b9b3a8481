"""A data set read as it stands by other programs, and asked for the tool's own group figures.

Every figure is held against the comparison of the same runs; the quantiles of the other programs are the inverse of
the empirical distribution too: `quantile_disc` of DuckDB, "equiprobable" of Polars. Spark: `test_spark.py`.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from tests.fakes.data_set import edit, expected, save_archive
from tests.fakes.saved_runs import save_run
from tests.fakes.told_runs import save_sweep
from tests.integration.commands import Workplace, explained
from tests.integration.documents import ROOT, blocks

import edgereply


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """See `save_archive`."""
    return save_archive(tmp_path_factory.mktemp("archive") / "runs")


@pytest.fixture(scope="module")
def data_set(runs: Path) -> Path:
    """The same as a data set."""
    place = runs.parent / "data"
    edgereply.export_dataset(runs, place)
    return place


def files(folder: Path) -> dict[str, tuple[int, int]]:
    """Every file with the moment it was written and its inode."""
    return {
        str(path.relative_to(folder)): (path.stat().st_mtime_ns, path.stat().st_ino)
        for path in folder.rglob("*")
        if path.is_file() and path.name != ".lock"
    }


def test_the_command_adds_what_is_new_and_rewrites_nothing(place: Workplace) -> None:
    save_run(place.root / "runs/a", 40, stamped=False)
    save_run(place.root / "runs/deep/b", 30, stamped=False)
    done = place.run("export", "runs", "--to", "dataset", "-o", "d", "--json")
    assert done.code == 0, done.err
    assert (done.document["rows"], len(done.document["added"]), done.document["virtual"]) == (70, 2, True)
    assert "VIRTUAL: 70 rows of 2 new runs added to d" in done.err
    before = files(place.root / "d")
    save_run(place.root / "runs/c", 20, finish=False, stamped=False)
    edit(place.root / "runs/a", lambda record: record.update(title="another"))
    done = place.run("export", "runs", "--to", "dataset", "-o", "d", "--json")
    assert [Path(run).name for run in done.document["added"]] == ["c"]
    assert (done.document["already_there"], done.document["changed_since"]) == (2, ["runs/a"])
    assert "runs/c is not complete" in done.err
    after = files(place.root / "d")
    assert {name: after[name] for name in before} == before
    assert sorted(set(after) - set(before)) == [
        "answers/series=none/board=gate/run=id-c/part-0.parquet", "runs/part-00001.parquet"
    ]  # fmt: skip
    explained(place.run("export", "runs", "--to", "dataset", "-o", "runs"), 2, "no data set")
    explained(place.run("export", "d", "--to", "dataset"), 2, "no run in there")
    explained(place.run("export", "runs/a", "--to", "dataset", "--what", "raw"), 2, "paired answers")


def test_what_was_not_told_of_is_written_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An export that was killed before the row of its run was written, and one that met a damaged run."""
    save_run(tmp_path / "a", 40, stamped=False)
    save_run(tmp_path / "b", 40, stamped=False)
    (tmp_path / "b/stamps/part-00000.parquet").write_bytes(b"")
    with pytest.raises(edgereply.DataError, match="altered or truncated"):
        edgereply.export_dataset([tmp_path / "a", tmp_path / "b"], tmp_path / "d")
    assert edgereply.export_dataset(tmp_path / "a", tmp_path / "d")["already_there"] == 1
    (tmp_path / "d/runs/part-00000.parquet").unlink()
    assert edgereply.export_dataset(tmp_path / "a", tmp_path / "d")["added"] == [str(tmp_path / "a")]
    (tmp_path / "d/runs/part-00000.parquet").write_bytes(b"PAR1")
    with pytest.raises(edgereply.DataError, match="table of runs is damaged"):
        edgereply.export_dataset(tmp_path / "a", tmp_path / "d")
    (tmp_path / "d/data-set.json").write_text('{"format": 2, "tool": "edgereply 9.9"}')
    with pytest.raises(edgereply.DataError, match=r"version 9\.9 wrote it"):
        edgereply.export_dataset(tmp_path / "a", tmp_path / "d")


def test_two_series_of_one_name_stay_two(tmp_path: Path) -> None:
    for number, created in enumerate(("2026-01-01T00:00:00+00:00", "2026-02-02T00:00:00+00:00")):
        save_sweep(tmp_path / f"{number}/night", rounds=1, count=20)
        series = tmp_path / f"{number}/night/series.json"
        series.write_text(series.read_text().replace("2026-01-01T00:00:00+00:00", created))
        for place in series.parent.glob("r01-*"):
            edit(place, lambda record, key=f"{number}-{place.name}": record.update(run_id=key))
    edgereply.export_dataset([tmp_path / "0", tmp_path / "1"], tmp_path / "d")
    found = {path.name for path in (tmp_path / "d/answers").iterdir()}
    assert found == {"series=night", "series=night 2026-02-02T00%3A00%3A00+00%3A00"}


def test_only_one_writes_at_a_time(data_set: Path, runs: Path) -> None:
    program = "import fcntl, sys; f = open(sys.argv[1], 'w'); fcntl.flock(f, fcntl.LOCK_EX); print(flush=True); input()"
    command = [sys.executable, "-c", program, str(data_set / ".lock")]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as other:
        assert other.stdout is not None
        other.stdout.readline()
        with pytest.raises(edgereply.SettingError, match="another export is writing"):
            edgereply.export_dataset(runs, data_set)
        other.communicate(b"\n", timeout=30)


PROGRAMS = {
    "duckdb": "print(json.dumps({row[0]: list(row[1:]) for row in duckdb.sql(figures).fetchall()}))",
    "polars": "print(json.dumps({row[0]: list(row[1:]) for row in figures.collect().iter_rows()}))",
    "dask": "print(json.dumps({name: [int(value) for value in row] for name, *row in"
    " figures.compute().reset_index().itertuples(index=False)}))",
}


@pytest.mark.parametrize("engine", PROGRAMS)
def test_group_figures_of_other_programs_are_the_tools_own(engine: str, data_set: Path, runs: Path) -> None:
    """By the page's own lines."""
    (code,) = (b.text for b in blocks(ROOT / "docs/data-set.md") if f"import {engine}" in b.text)
    shutil.copytree(data_set, data_set.parent / engine / "edgereply-data-set")
    command = [sys.executable, "-W", "ignore", "-c", f"import json\n{code}\n{PROGRAMS[engine]}"]
    done = subprocess.run(command, cwd=data_set.parent / engine, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout.splitlines()[-1]) == expected(runs)


def test_odd_names_and_far_times_come_back_as_they_were(data_set: Path, runs: Path) -> None:
    import duckdb
    import polars
    import pyarrow.dataset as arrow

    whole = arrow.dataset(data_set / "answers", partitioning="hive").to_table().to_pydict()
    raw = edgereply.open_run(runs / "alone").answers().to_numpy()["stimulus_ns"]
    mine = [at for at, run in zip(whole["stimulus_ns"], whole["run"], strict=True) if run == "id-alone"]
    assert mine == raw.tolist()
    assert min(mine) > 2**53
    assert "7 / gate=ä%" in set(whole["board"])
    scanned = polars.scan_parquet(data_set / "answers", hive_partitioning=True)
    assert "7 / gate=ä%" in set(scanned.select("board").collect()["board"])
    asked = f"SELECT DISTINCT board FROM read_parquet('{data_set}/answers/**/*.parquet', hive_partitioning = true)"
    found = duckdb.sql(asked)
    assert found is not None
    assert "7 / gate=ä%" in {board for (board,) in found.fetchall()}


def test_both_tables_hold_what_the_runs_hold(data_set: Path, runs: Path) -> None:
    import pyarrow.parquet as pq

    told = {row["directory"]: row for row in pq.read_table(data_set / "runs").to_pylist()}
    assert len(told) == 26
    for place, row in told.items():
        run = edgereply.open_run(place)
        assert [row[n] for n in ("board", "evidence", "virtual", "state", "run", "deadline_ns")] == [
            run.board, run.evidence, run.virtual, run.state, run.record["run_id"], run.deadline_ns
        ]  # fmt: skip
        assert {name: row[f"{name}_count"] for name in ("missed", "late", "stimuli")} == {
            name: run.counts[name] for name in ("missed", "late", "stimuli")
        }
        if place.endswith("alone"):
            assert [row[n] for n in ("median_ns", "p99_9_ns", "std_ns")] == [
                run.summary["reaction"][n] for n in ("median_ns", "p99_9_ns", "std_ns")
            ]
            assert (row["condition"], row["series"], row["series_created"]) == (None, "none", None)
    night = [row for row in told.values() if row["series"] == "night"]
    assert {(row["condition"], row["round"]) for row in night} == {
        (name, number) for name in edgereply.open_series(runs / "night").conditions for number in range(1, 7)
    }
    one = pq.read_schema(next((data_set / "answers").rglob("*.parquet")))
    assert all(pq.read_schema(path).equals(one) for path in (data_set / "answers").rglob("*.parquet"))
    folder = data_set / "answers/series=none/board=gate/run=id-alone"
    rows = pq.read_table(folder / "part-0.parquet", partitioning=None)
    assert rows.equals(edgereply.open_run(runs / "alone").answers().to_arrow().select(rows.column_names))
    assert np.count_nonzero(rows["late"]) > 0


def test_stamps_are_read_as_they_stand_and_the_run_itself_is_not(runs: Path) -> None:
    """As the page on raw data says; a reader that learns to pass over run.json may have the page changed."""
    import pandas
    import polars

    run = runs / "alone"
    frames: list[Any] = [pandas.read_parquet(run / "stamps"), polars.read_parquet(run / "stamps")]
    assert [len(frame) for frame in frames] == [400, 400]
    last = edgereply.open_run(run).answers().to_numpy()["stimulus_ns"][-1]
    assert [list(frame["stimulus_ns"])[-1] for frame in frames] == [last, last]
    for read in (pandas.read_parquet, polars.read_parquet):
        with pytest.raises(Exception, match=r"run\.json"):
            read(run)
