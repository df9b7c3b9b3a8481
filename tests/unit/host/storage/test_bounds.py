"""Files of runs and series: how large they may be, and whom they are for."""

from __future__ import annotations

import os
import shutil
import stat
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from edgereply.errors import DataError, HostError
from edgereply.evaluation.load_view import evaluate_run
from edgereply.storage.run_reader import RunReader
from edgereply.storage.series_record import SeriesRecord, save_series
from edgereply.system import memory

GOLDEN = Path(__file__).parents[3] / "reference_data/runs/format-1-load"


def test_a_record_of_more_than_64_mib_is_not_read(tmp_path: Path) -> None:
    run = tmp_path / "run"
    shutil.copytree(GOLDEN, run)
    text = (run / "run.json").read_bytes()
    # White space after a JSON document is part of no value.
    for size, fits in ((64 << 20, True), ((64 << 20) + 1, False)):
        with (run / "run.json").open("wb") as file:
            file.write(text.rstrip() + b" " * (size - len(text.rstrip())))
        if fits:
            assert RunReader(run).record.board
        else:
            with pytest.raises(DataError, match="larger than 64 MiB"):
                RunReader(run)


def test_a_series_is_its_owners_alone(tmp_path: Path) -> None:
    record = SeriesRecord(tool="t", created="c", board="b", order_seed=1, conditions={}, blocks=[])
    before = os.umask(0)
    try:
        save_series(tmp_path / "series", record)
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "series").stat().st_mode) == 0o700


def test_a_run_that_does_not_fit_is_refused_before_it_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    reader = RunReader(GOLDEN)
    monkeypatch.setattr(reader, "rows", lambda folder: 100_000_000)
    monkeypatch.setattr(reader, "source", lambda: pytest.fail("it was read"))
    monkeypatch.setattr(memory, "available", lambda: 1 << 30)
    with pytest.raises(HostError, match="100,000,000 stimuli at once"):
        evaluate_run(reader, None)


def test_a_part_that_another_program_wrote_anew_is_refused(tmp_path: Path) -> None:
    """Whole and readable, with checksums of its own that are right; only the record's hash tells."""
    run = tmp_path / "run"
    shutil.copytree(GOLDEN, run)
    part = min((run / "stamps").iterdir())
    pq.write_table(pq.read_table(part), part, compression="none", write_page_checksum=True)
    with pytest.raises(DataError, match="altered or truncated since the run"):
        RunReader(run).source()
