"""Runs into one file of a chosen format."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, get_args

from edgereply.errors import SettingError
from edgereply.exchange.export.arrays import ArraysFile
from edgereply.exchange.export.batches import FACTS, Rows, batches, columns, run_directories
from edgereply.exchange.export.tables import TableFile, csv_file, parquet_file
from edgereply.exchange.export.target import new_file
from edgereply.exchange.export.vcd import write_vcd
from edgereply.storage.run_reader import RunReader

FormatName = Literal["parquet", "csv", "numpy", "vcd"]
SUFFIX: dict[FormatName, str] = {"parquet": ".parquet", "csv": ".csv", "numpy": ".npz", "vcd": ".vcd"}
FORMATS: tuple[FormatName, ...] = get_args(FormatName)
TABLES: dict[str, Callable[[Path, Rows], TableFile | ArraysFile]] = {
    "parquet": parquet_file,
    "csv": csv_file,
    "numpy": ArraysFile,
}

Progress = Callable[[int], None]


@dataclass(frozen=True, slots=True)
class ExportResult:
    """What was written: the file, its columns, and rows and grade of each run."""

    path: Path
    format: FormatName
    what: Rows
    columns: tuple[str, ...]
    runs: tuple[dict[str, Any], ...]

    def as_dict(self) -> dict[str, Any]:
        """JSON-ready."""
        return {
            "file": str(self.path),
            "format": self.format,
            "what": self.what,
            "columns": list(self.columns),
            "rows": sum(run["rows"] for run in self.runs),
            "bytes": self.path.stat().st_size,
            "runs": list(self.runs),
        }


def export(paths: Sequence[Path], form: FormatName, what: Rows, output: Path, progress: Progress) -> ExportResult:
    """Write runs and the blocks of series to one new file.

    Args:
        paths: run and series directories.
        form: of the file.
        what: rows as paired by the evaluation, or raw.
        output: a name that nothing has.
        progress: called with the number of rows as they are written.

    Raises:
        DataError: a run cannot be read.
        SettingError: the file is there already, no run, or several for a VCD, which has one time axis.
        StoreError: the file cannot be written; nothing of it is left.
    """
    runs = run_directories(paths)
    if not runs:
        raise SettingError("no measured run in there", where=str(paths[0]), remedy="give directories of runs")
    if form == "vcd" and len(runs) > 1:
        raise SettingError(
            f"a VCD has one time axis, and these are {len(runs)} runs", where="--to vcd", remedy="export one at a time"
        )
    with new_file(output) as partial:
        if form == "vcd":
            names: tuple[str, ...] = ("stimulus", "response")
            what, rows = "raw", [write_vcd(partial, runs[0], progress)]
        else:
            names = (*FACTS, "virtual", "clock", *columns(what))
            rows = _table(partial, form, what, runs, progress)
    told = tuple(_told(run, number) for run, number in zip(runs, rows, strict=True))
    return ExportResult(output, form, what, names, told)


def _table(partial: Path, form: FormatName, what: Rows, runs: Sequence[Path], progress: Progress) -> list[int]:
    rows = []
    with TABLES[form](partial, what) as table:
        for run in runs:
            rows.append(0)
            for batch in batches(run, what):
                table.write(batch)
                rows[-1] += batch.rows
                progress(batch.rows)
    return rows


def _told(run: Path, rows: int) -> dict[str, Any]:
    record = RunReader(run).record
    return {
        "run": str(run),
        "rows": rows,
        "evidence": record.evidence,
        "virtual": record.virtual,
        "state": record.state,
    }
