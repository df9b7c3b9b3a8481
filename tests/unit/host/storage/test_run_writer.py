import json
import re
import shutil
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.errors import DataError, StoreError
from edgereply.storage.run_reader import RunReader
from edgereply.storage.run_writer import RunWriter, replace_record
from edgereply.storage.stamps import BoardStamps, ObservedEdges
from tests.fakes.records import run_record


def answers(count: int) -> BoardStamps:
    at = np.arange(count, dtype=np.int64) * 1000
    seq = np.arange(1, count + 1, dtype=np.uint32)
    return BoardStamps(at, at + 1, np.where(at == 0, NO_STAMP, at + 2), at + 3, seq, seq)


def fill(writer: RunWriter, first: int, count: int) -> None:
    at = (np.arange(first, first + count, dtype=np.int64)) * 5_000_000
    kind = np.tile(np.array([1, 2, 3], np.uint8), count)
    times = np.stack([at, at + 100_000, at + 150_000], axis=1).ravel()
    writer.add_source(kind, times)
    writer.add_board(answers(count))


@pytest.fixture
def finished(tmp_path: Path) -> Path:
    writer = RunWriter(tmp_path / "run", run_record(), part_rows=1)
    fill(writer, 0, 30)
    writer.commit()
    fill(writer, 30, 20)
    writer.finish("complete", "")
    return tmp_path / "run"


def test_what_was_written_is_read_back(finished: Path) -> None:
    reader = RunReader(finished)
    assert reader.record.state == "complete"
    stimulus, rise, fall = reader.source().edges()
    assert stimulus.tolist() == [n * 5_000_000 for n in range(50)]
    assert np.all(rise - stimulus == 100_000)
    assert np.all(fall - rise == 50_000)
    board = reader.board()
    assert board.set_ns[0] == NO_STAMP
    assert board.seqno.dtype == np.uint32
    assert len(board.edge_ns) == 50


def test_watched_edges_are_kept_as_they_came(tmp_path: Path) -> None:
    writer = RunWriter(tmp_path / "run", run_record(), part_rows=1)
    for first in (7, 900):
        at = np.array([first, first + 2, first + 1], np.int64)
        kind, seqno = np.array([1, 3, 2], np.uint8), np.array([4, 2, 1], np.uint32)
        writer.add_observed(ObservedEdges(at, kind, seqno))
        writer.commit()
    writer.finish("complete", "")
    reader = RunReader(tmp_path / "run")
    edges = reader.observed()
    assert edges.at_ns.tolist() == [7, 9, 8, 900, 902, 901]
    assert edges.kind.tolist() == [1, 3, 2] * 2
    assert edges.seqno.tolist() == [4, 2, 1] * 2
    assert edges.of(3).tolist() == [9, 902]
    assert [str(column.dtype) for column in (edges.at_ns, edges.kind, edges.seqno)] == ["int64", "uint8", "uint32"]
    assert [part.file for part in reader.record.parts] == [f"observed/part-0000{n}.parquet" for n in (0, 1)]
    assert pq.read_table(tmp_path / "run" / "observed").column_names == ["at_ns", "kind", "seqno"]
    assert len(RunReader(tmp_path / "run").board().edge_ns) == 0


def test_other_tools_read_the_directory_as_it_stands(finished: Path) -> None:
    table = pq.read_table(finished / "stamps")
    assert table.num_rows == 50
    assert table.column_names == ["stimulus_ns", "rise_ns", "fall_ns"]
    assert str(table.schema.field("rise_ns").type) == "int64"


def test_run_files_are_private(finished: Path) -> None:
    assert finished.stat().st_mode & 0o077 == 0


def test_a_run_cut_off_keeps_its_committed_parts(tmp_path: Path) -> None:
    writer = RunWriter(tmp_path / "run", run_record())
    fill(writer, 0, 30)
    writer.commit()
    fill(writer, 30, 20)
    (tmp_path / "run/stamps/.part-00001.parquet.partial").write_bytes(b"half a part")
    reader = RunReader(tmp_path / "run")
    assert reader.cut_off
    assert len(reader.source().stimulus_ns) == 28
    assert len(reader.board().edge_ns) == 30


def test_a_directory_in_use_is_left_alone(finished: Path) -> None:
    before = sorted(finished.rglob("*"))
    with pytest.raises(DataError, match="not empty"):
        RunWriter(finished, run_record())
    assert sorted(finished.rglob("*")) == before


def test_a_full_disk_is_told_and_keeps_what_was_committed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    writer = RunWriter(tmp_path / "run", run_record())
    fill(writer, 0, 30)
    writer.commit()

    def no_space(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(pq, "write_table", no_space)
        fill(writer, 30, 20)
        with pytest.raises(StoreError, match="No space left"):
            writer.commit()
    reader = RunReader(tmp_path / "run")
    assert len(reader.source().stimulus_ns) == 28
    assert not list((tmp_path / "run").rglob("*.partial"))


def truncate(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-20])


def flip(path: Path) -> None:
    """One byte of the first column's page."""
    column = pq.read_metadata(path).row_group(0).column(0)
    data = bytearray(path.read_bytes())
    data[column.data_page_offset + column.total_compressed_size - 8] ^= 0xFF
    path.write_bytes(data)


@pytest.mark.parametrize("harm", [truncate, flip, Path.unlink])
@pytest.mark.parametrize("part", ["stamps/part-00000.parquet", "board/part-00001.parquet"])
def test_harm_to_a_part_is_found_and_named(finished: Path, harm: object, part: str) -> None:
    assert callable(harm)
    harm(finished / part)
    reader = RunReader(finished)
    with pytest.raises(DataError) as caught:
        _ = reader.source(), reader.board()
    assert part in str(caught.value)
    assert caught.value.exit_code == 2


@pytest.mark.parametrize("harm", [truncate, flip])
def test_harm_to_a_part_of_a_cut_off_run_is_found(tmp_path: Path, harm: object) -> None:
    writer = RunWriter(tmp_path / "run", run_record())
    fill(writer, 0, 3000)
    writer.commit()
    assert callable(harm)
    harm(tmp_path / "run/stamps/part-00000.parquet")
    with pytest.raises(DataError, match="part-00000"):
        RunReader(tmp_path / "run").source()


def test_a_foreign_part_is_not_taken_in(finished: Path) -> None:
    shutil.copy(finished / "stamps/part-00000.parquet", finished / "stamps/part-00007.parquet")
    with pytest.raises(DataError, match="did not write"):
        RunReader(finished).source()


@pytest.mark.parametrize("text", ["", "{", "[]", '{"format": 1}', '{"format": "x"}', "nul\0l"])
def test_a_damaged_record_is_named(finished: Path, text: str) -> None:
    (finished / "run.json").write_text(text)
    with pytest.raises(DataError, match=r"run\.json"):
        RunReader(finished)


def test_a_newer_format_asks_for_an_update(finished: Path) -> None:
    data = json.loads((finished / "run.json").read_text())
    (finished / "run.json").write_text(json.dumps(data | {"format": 99}))
    with pytest.raises(DataError, match="update edgereply"):
        RunReader(finished)


def test_no_run_there(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="not a run directory"):
        RunReader(tmp_path / "nothing")


def rewrite(run: Path, name: str, column: str, values: list[object]) -> None:
    """Put other values into a column of a run that was cut off, which has no digests."""
    table = pq.read_table(run / name)
    index = table.column_names.index(column)
    pq.write_table(table.set_column(index, column, [values]), run / name)
    record_path = run / "run.json"
    record_path.write_text(record_path.read_text().replace('"state":"complete"', '"state":"running"'))
    record_path.write_text(record_path.read_text().replace('"state": "complete"', '"state": "running"'))


@pytest.mark.parametrize("value", [2**62, -(2**62), -(2**63), "soon"])
def test_stamps_that_no_clock_gives_are_refused(finished: Path, value: object) -> None:
    rows = pq.read_metadata(finished / "stamps" / "part-00000.parquet").num_rows
    rewrite(finished, "stamps/part-00000.parquet", "rise_ns", [value] * rows)
    with pytest.raises(DataError, match=r"no board or source can give|cannot be read"):
        RunReader(finished).source()


def test_stimuli_that_run_backwards_are_refused(finished: Path) -> None:
    rows = pq.read_metadata(finished / "stamps" / "part-00000.parquet").num_rows
    rewrite(finished, "stamps/part-00000.parquet", "stimulus_ns", [1000 - n for n in range(rows)])
    with pytest.raises(DataError, match="not in order"):
        RunReader(finished).source()


def test_readings_nested_without_end_are_left_out(finished: Path) -> None:
    (finished / "context.jsonl").write_text("[" * 100_000 + '\n{"board_ns": 5}\n')
    assert RunReader(finished).context() == [{"board_ns": 5}]


def test_parts_of_a_run_of_days_stay_in_order(finished: Path) -> None:
    for old, new in ((0, 99_999), (1, 100_000)):
        for folder in ("stamps", "board"):
            (finished / folder / f"part-{old:05}.parquet").rename(finished / folder / f"part-{new:05}.parquet")
    record, numbers = RunReader(finished).record, {"00000": "99999", "00001": "100000"}
    moved = [
        part.model_copy(update={"file": re.sub(r"\d{5}", lambda found: numbers[found[0]], part.file)})
        for part in record.parts
    ]
    replace_record(finished, record.model_copy(update={"parts": moved}))
    stimulus, _, _ = RunReader(finished).source().edges()
    assert stimulus.tolist() == [n * 5_000_000 for n in range(50)]
