"""The last part of a folder grows from commit to commit; whatever stops a commit, every committed row is there once."""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Iterator
from pathlib import Path

import duckdb
import numpy as np
import pyarrow.parquet as pq
import pytest

from edgereply.errors import StoreError
from edgereply.storage import parquet_parts, run_reader
from edgereply.storage.run_reader import RunReader
from edgereply.storage.run_writer import PART_ROWS, RunWriter
from edgereply.storage.stamps import BoardStamps, ObservedEdges
from tests.fakes.made_runs import a_record
from tests.fakes.struck_disk import Disk, Killed

EACH, PART = 10, 15
# Stimuli that the writer keeps back: edges that follow may belong to them.
HELD = 2
COMMITS = 3
FOLDERS = ("stamps", "board", "observed")
Rows = dict[str, list[tuple[int, ...]]]


def add(writer: RunWriter, number: int) -> None:
    """A block of each kind of rows, those with the given number."""
    at = np.arange(number * EACH, (number + 1) * EACH, dtype=np.int64) * 5_000_000
    times = np.stack([at, at + 100_000 + at % 7, at + 150_000], axis=1).ravel()
    writer.add_source(np.tile(np.array([1, 2, 3], np.uint8), EACH), times)
    sequence = np.arange(number * EACH, (number + 1) * EACH, dtype=np.uint32)
    writer.add_board(BoardStamps(at, at + 1, at + 2, at + 3, sequence, sequence))
    writer.add_observed(ObservedEdges(at, np.full(EACH, 2, np.uint8), sequence))


def rows_of(run: Path) -> Rows:
    """What the reader gives, row by row."""
    reader = RunReader(run)
    found = [stamps.columns() for stamps in (reader.source(), reader.board(), reader.observed())]
    return {
        name: list(zip(*(column.tolist() for column in columns), strict=True))
        for name, columns in zip(FOLDERS, found, strict=True)
    }


def counts(rows: Rows) -> list[int]:
    return [len(rows[name]) for name in FOLDERS]


def write(run: Path, part_rows: int = PART) -> Iterator[None]:
    """Write a run; goes on after a failed commit, and yields after each one that succeeded."""
    writer = RunWriter(run, a_record(), part_rows)
    for number in range(COMMITS):
        add(writer, number)
        try:
            writer.commit()
        except StoreError:
            continue
        yield
    try:
        writer.finish("complete", "")
    except StoreError:
        writer.finish("complete", "")
    writer.save(writer.record)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Rows:
    """All rows, each commit a part of its own."""
    run = tmp_path_factory.mktemp("whole") / "run"
    list(write(run, part_rows=1))
    assert [path.name for path in sorted((run / "board").iterdir())] == [
        f"part-0000{n}.parquet" for n in range(COMMITS)
    ]
    return rows_of(run)


def test_a_part_grows_until_it_has_enough(tmp_path: Path, whole: Rows) -> None:
    list(write(tmp_path / "run"))
    assert rows_of(tmp_path / "run") == whole
    assert counts(whole) == [COMMITS * EACH] * 3
    record = RunReader(tmp_path / "run").record
    for name, rows in (("stamps", [20 - HELD, 10 + HELD]), ("board", [20, 10]), ("observed", [20, 10])):
        there = sorted((tmp_path / "run" / name).iterdir())
        assert [path.name for path in there] == ["part-00000.parquet", "part-00001.parquet"]
        assert [pq.read_metadata(path).num_rows for path in there] == rows
        assert [part.rows for part in record.parts if part.file.startswith(name)] == rows


def test_a_day_at_a_low_rate_is_some_dozens_of_parts(tmp_path: Path) -> None:
    """Rows come by a few thousand here, so that it takes no day."""
    writer = RunWriter(tmp_path / "run", a_record())
    stimuli, each = 432_000, 4_000
    for start in range(0, stimuli, each):
        at = np.arange(start, start + each, dtype=np.int64) * 200_000_000
        writer.add_board(BoardStamps(at, at, at, at, at.astype(np.uint32), at.astype(np.uint32)))
        writer.commit()
    writer.finish("complete", "")
    rows = [part.rows for part in RunReader(tmp_path / "run").record.parts]
    assert len(rows) <= stimuli / PART_ROWS + 1
    assert all(PART_ROWS <= count < PART_ROWS + each for count in rows[:-1])
    assert sum(rows) == stimuli


def steps_of_a_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> int:
    disk = Disk()
    with disk.laid_under(monkeypatch):
        list(write(tmp_path / "counted"))
    return disk.steps


@pytest.mark.parametrize("power", ["stays", "fails, new names last", "fails, new names are lost"])
def test_a_kill_at_any_step_leaves_every_committed_row_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, whole: Rows, power: str
) -> None:
    steps = steps_of_a_run(tmp_path, monkeypatch)
    assert steps > COMMITS * len(FOLDERS) * 8
    for step in range(1, steps + 1):
        run, disk, commits = tmp_path / "run", Disk(step), 0
        with disk.laid_under(monkeypatch), contextlib.suppress(Killed):
            for _ in write(run):
                commits += 1
        assert disk.struck
        promised = [max(0, commits * EACH - HELD), commits * EACH, commits * EACH]
        if power != "stays":
            disk.cut_power(renames_last=power.endswith("last"))
        if (run / "run.json").exists():
            found = rows_of(run)
            assert found == {name: rows[: len(found[name])] for name, rows in whole.items()}, step
            assert all(map(int.__ge__, counts(found), promised)), step
            if not RunReader(run).cut_off:
                assert found == whole, step
        else:
            assert promised == [0, 0, 0]
        shutil.rmtree(run, ignore_errors=True)


def test_a_failure_at_any_step_is_told_and_the_next_commit_makes_up_for_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, whole: Rows
) -> None:
    steps, told = steps_of_a_run(tmp_path, monkeypatch), list[str]()
    for step in range(1, steps + 1):
        run, disk = tmp_path / "run", Disk(step, fatal=False)
        began = False
        with disk.laid_under(monkeypatch):
            try:
                for _ in write(run):
                    began = True
            except StoreError as error:  # as the record is written for the first time, or for the last
                told.append(str(error))
        assert disk.struck
        if began:
            assert RunReader(run).record.state == "complete", step
            assert rows_of(run) == whole, step
        else:
            assert not list(run.rglob("part-*")), step
        shutil.rmtree(run, ignore_errors=True)
    assert 0 < len(told) < steps / 4
    assert all("No space left" in text for text in told)


def test_readers_in_the_middle_see_a_run_that_only_gets_longer(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, whole: Rows
) -> None:
    """Ours, and others that take the directory as it stands, between any two steps of the writer."""
    run, seen = tmp_path / "run", [[0, 0, 0]]

    def look() -> None:
        if (run / "run.json").exists():
            found = rows_of(run)
            assert found == {name: rows[: len(found[name])] for name, rows in whole.items()}
            assert all(map(int.__ge__, counts(found), seen[-1]))
            if found["board"]:
                assert pq.read_table(run / "board")["edge_ns"].to_pylist() == [row[0] for row in found["board"]]
                other = duckdb.read_parquet(f"{run}/board/*.parquet").fetchnumpy()["edge_ns"]
                assert other.tolist() == [row[0] for row in found["board"]]
            seen.append(counts(found))

    with Disk(watch=look).laid_under(monkeypatch):
        list(write(run))
    assert len({tuple(one) for one in seen}) > COMMITS * 2
    assert seen[-1] == counts(whole)


def test_a_part_that_grows_while_it_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, whole: Rows) -> None:
    """Between the moment its rows are counted and the one they are read."""
    run = tmp_path / "run"
    writing = write(run)
    next(writing)
    count = parquet_parts.rows_of
    counted: list[int] = []

    def counted_then_committed(path: Path) -> int:
        counted.append(count(path))
        next(writing)
        return counted[-1]

    monkeypatch.setattr(run_reader, "rows_of", counted_then_committed)
    board = RunReader(run).board()
    assert counted == [EACH]
    assert count(run / "board" / "part-00000.parquet") == 2 * EACH
    assert board.edge_ns.tolist() == [row[0] for row in whole["board"][:EACH]]
