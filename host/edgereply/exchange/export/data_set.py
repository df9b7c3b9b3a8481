"""Runs into a data set that grows: paired answers partitioned by series, board and run, and a table of runs.

    DIRECTORY/data-set.json                            format, and what wrote it
    DIRECTORY/answers/series=S/board=B/run=R/part-0.parquet    a file a run, R is its run id
    DIRECTORY/runs/part-NNNNN.parquet                  a row a run, a file for each time runs were added

A run is in the data set once its row is in `runs/`, which is written last: what a crash leaves behind under `answers/`
is written again by the next export, and nothing that is in the data set is ever written to. A run that is there already
is passed over by its run id, so that all of an archive may be given each time; where its `run.json` has changed since,
that is said. Partitions are named as Hive names them: `key=value`, what cannot stand in a path as %XX.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import pyarrow.parquet as pq

from edgereply.errors import DataError, SettingError, StoreError
from edgereply.evaluation.load_view import evaluate_run
from edgereply.exchange.export.batches import paired, run_directories
from edgereply.exchange.export.data_set_tables import (
    NO_SERIES,
    Place,
    answers_schema,
    answers_table,
    run_row,
    runs_schema,
)
from edgereply.storage.formats import refuse_newer
from edgereply.storage.run_reader import RunReader
from edgereply.storage.series_record import SeriesRecord, load_series
from edgereply.system.device_files import taken_alone
from edgereply.system.digest import sha256_of
from edgereply.version import TOOL

FORMAT: Final = 1
_HEAD: Final = "data-set.json"
# What Hive and Spark escape in a path, and blanks at its ends; everything else stands as it is.
_ESCAPED: Final = re.compile(r'[\x00-\x1f"#%\'*/:=?\\{}\[\]^\x7f]')
_PARQUET: Final[dict[str, Any]] = {"compression": "zstd", "write_page_checksum": True}

Progress = Callable[[int], None]


@dataclass(slots=True)
class DataSetExport:
    """What became of the runs that were given.

    Attributes:
        directory: of the data set.
        added: directories of runs that are new in it.
        there: how many were in it already.
        changed: directories of those whose record has changed since; what is in the data set stays as it was.
        rows: answers that were added.
        virtual: whether any added run is.
        incomplete: directories of added runs that are not complete.
    """

    directory: Path
    added: list[str] = field(default_factory=list)
    there: int = 0
    changed: list[str] = field(default_factory=list)
    rows: int = 0
    virtual: bool = False
    incomplete: list[str] = field(default_factory=list)

    def as_dict(self) -> dict[str, Any]:
        """JSON-ready."""
        return {
            "directory": str(self.directory), "format": "dataset", "added": self.added, "already_there": self.there,
            "changed_since": self.changed, "rows": self.rows, "virtual": self.virtual, "incomplete": self.incomplete,
        }  # fmt: skip


def runs_below(paths: Sequence[Path]) -> list[Path]:
    """Runs and series as given, and those in directories that only hold some, in order of their names.

    Raises:
        SettingError: there is none in one of them.
        DataError: a series cannot be read.
    """
    found: list[Path] = []
    for path in paths:
        if any((path / name).is_file() for name in ("run.json", "series.json")) or not path.is_dir():
            found += run_directories([path])
            continue
        inside: list[Path] = []
        for place, folders, files in os.walk(path):
            if {"run.json", "series.json"} & set(files):
                inside += run_directories([Path(place)])
                folders.clear()
            folders.sort()
        if not inside:
            raise SettingError("no run in there", where=str(path), remedy="give runs, series or directories of them")
        found += inside
    return list(dict.fromkeys(found))


def export_data_set(runs: Sequence[Path], directory: Path, progress: Progress) -> DataSetExport:
    """Add runs to a data set, which is begun where there is none.

    Args:
        runs: run directories.
        directory: of the data set; new, empty, or a data set.
        progress: called with the number of runs as they are dealt with.

    Raises:
        SettingError: the directory holds something else, or somebody else is writing to it.
        DataError: a run cannot be read, or the data set has a newer format; runs added before are kept.
        StoreError: the disk takes nothing more; runs added before are kept, if it takes their row.
    """
    try:
        _begin(directory)
        with _alone(directory):
            return _add(runs, directory, progress)
    except OSError as error:
        raise StoreError(
            f"the data set cannot be written: {error.strerror or error}", where=str(directory),
            remedy="free space, or choose another directory",
        ) from error  # fmt: skip


def _add(runs: Sequence[Path], directory: Path, progress: Progress) -> DataSetExport:
    known, names = _known(directory)
    done = DataSetExport(directory)
    rows: list[dict[str, Any]] = []
    series = _SeriesNames(names)
    try:
        for run in runs:
            reader = RunReader(run)
            digest = sha256_of(run / "run.json")
            if reader.record.run_id in known:
                done.there += 1
                if known[reader.record.run_id] != digest:
                    done.changed.append(str(run))
            else:
                place = Place(run, *series.of(run))
                rows.append(_add_run(place, reader, directory, digest, done))
                known[reader.record.run_id] = digest
            progress(1)
    finally:
        # However it ends, the runs that are whole are in the data set.
        if rows:
            _add_rows(directory, rows)
    return done


def _add_run(place: Place, reader: RunReader, directory: Path, digest: str, done: DataSetExport) -> dict[str, Any]:
    record = reader.record
    result = evaluate_run(reader, record.deadline_ns)
    names = {"series": place.series, "board": record.board, "run": record.run_id}
    folder = directory.joinpath("answers", *(f"{key}={_escaped(value)}" for key, value in names.items()))
    folder.mkdir(parents=True, exist_ok=True)
    written = 0

    def write(partial: Path) -> None:
        nonlocal written
        with pq.ParquetWriter(partial, answers_schema(), **_PARQUET) as writer:
            for batch in paired(place.directory, record, result):
                writer.write_table(answers_table(batch))
                written += batch.rows

    _whole(folder / "part-0.parquet", write)
    done.added.append(str(place.directory))
    done.rows += written
    done.virtual |= record.virtual
    if record.state != "complete":
        done.incomplete.append(str(place.directory))
    return run_row(place, record, result, digest)


def _add_rows(directory: Path, rows: list[dict[str, Any]]) -> None:
    folder = directory / "runs"
    folder.mkdir(exist_ok=True)
    number = max((int(path.stem.partition("-")[2]) + 1 for path in folder.glob("part-*.parquet")), default=0)
    table = pa.Table.from_pylist(rows, schema=runs_schema())
    _whole(folder / f"part-{number:05}.parquet", lambda partial: pq.write_table(table, partial, **_PARQUET))


def _whole(path: Path, write: Callable[[Path], object]) -> None:
    """A file that has its name once it is on the disk. Hidden until then, so that readers pass it over."""
    partial = path.with_name(f".{path.name}.partial")
    write(partial)
    with partial.open("rb+") as file:
        os.fsync(file.fileno())
    partial.replace(path)


def _known(directory: Path) -> tuple[dict[str, str], dict[str, str]]:
    """Runs that are in the data set: digest of the record by run id; and series: moment of creation by name."""
    runs: dict[str, str] = {}
    series: dict[str, str] = {}
    for path in sorted((directory / "runs").glob("part-*.parquet")):
        try:
            table = pq.read_table(path, columns=["run", "record_sha256", "series", "series_created"], partitioning=None)
        except (pa.ArrowException, OSError) as error:
            raise DataError(
                "the table of runs is damaged", where=str(path), remedy="restore it, or begin a new data set"
            ) from error
        for row in table.to_pylist():
            runs[row["run"]] = row["record_sha256"]
            if row["series_created"] is not None:
                series[row["series"]] = row["series_created"]
    return runs, series


class _SeriesNames:
    """Names of series in the data set: that of the directory, with its moment of creation where another one has it."""

    def __init__(self, taken: dict[str, str]) -> None:
        self._taken = taken
        self._records: dict[Path, SeriesRecord | None] = {}

    def of(self, run: Path) -> tuple[str, SeriesRecord | None]:
        """Name and record of the series a run belongs to."""
        above = run.resolve().parent
        if above not in self._records:
            self._records[above] = load_series(above) if (above / "series.json").is_file() else None
        record = self._records[above]
        if record is None:
            return NO_SERIES, None
        for name in (above.name, f"{above.name} {record.created}"):
            if name != NO_SERIES and self._taken.setdefault(name, record.created) == record.created:
                return name, record
        raise SettingError(
            "another series of that name and moment is in the data set", where=str(above), remedy="rename the directory"
        )


def _escaped(value: str) -> str:
    value = _ESCAPED.sub(lambda found: f"%{ord(found[0]):02X}", value)
    return value or "__HIVE_DEFAULT_PARTITION__"


def _begin(directory: Path) -> None:
    head = directory / _HEAD
    if head.is_file():
        refuse_newer(head.read_bytes(), FORMAT, "the data set", str(directory))
        return
    if directory.exists() and (not directory.is_dir() or any(directory.iterdir())):
        raise SettingError(
            "there is something that is no data set", where=str(directory), remedy="name a new directory with --output"
        )
    directory.mkdir(parents=True, exist_ok=True)
    text = json.dumps({"format": FORMAT, "tool": TOOL})
    _whole(head, lambda partial: partial.write_text(text, encoding="utf-8"))


@contextlib.contextmanager
def _alone(directory: Path) -> Iterator[None]:
    with (directory / ".lock").open("w") as lock:
        if not taken_alone(lock.fileno()):
            raise SettingError(
                "another export is writing to this data set", where=str(directory), remedy="wait for its end"
            )
        yield
