"""Any number of runs as a data set for other programs."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from edgereply.api.runs import SavedRun
from edgereply.api.series import SavedSeries
from edgereply.exchange.export.data_set import export_data_set, runs_below

Runs = str | Path | SavedRun | SavedSeries


def export_dataset(runs: Runs | Sequence[Runs], directory: str | Path) -> dict[str, Any]:
    """Add runs to a data set, which is begun where there is none; nothing that is in it is written to.

    `answers/` has paired answers, a row a stimulus (int64 nanoseconds, null where there is nothing), partitioned by
    series, board and run; `runs/` has a row a run. Runs that are in it already are passed over by their run id.

    Args:
        runs: run or series directories, directories that hold some, or what `open_run` and its like give.
        directory: of the data set.

    Returns:
        JSON-ready, the document of `edgereply export --to dataset --json`: `added`, `already_there`, `changed_since`,
        `rows`, `virtual`, `incomplete`.

    Raises:
        SettingError: no run, something else is in the directory, or somebody is writing to it.
        DataError: a run cannot be read; runs added before are kept.
        StoreError: the disk takes nothing more.
    """
    given = [runs] if isinstance(runs, Runs) else runs
    paths = [Path(run) if isinstance(run, str | Path) else run.path for run in given]
    return export_data_set(runs_below(paths), Path(directory), lambda more: None).as_dict()
