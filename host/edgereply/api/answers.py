"""Paired answers as a table for other programs: Arrow, pandas, Polars, NumPy."""

from __future__ import annotations

import importlib
from pathlib import Path
from typing import TYPE_CHECKING, Any

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.errors import SettingError
from edgereply.exchange.export.batches import batches

if TYPE_CHECKING:
    import numpy as np

_SHOWN = 5


class Answers:
    """One row a stimulus, in order of time, as the evaluation pairs stimuli and answers.

    The same columns as `edgereply export --to parquet` writes: `run`, `run_id`, `board`, `route`, `wait`, `evidence`
    (text), `virtual` (boolean), `clock` (text, whose clock the times were read from), then `stimulus_index`,
    `stimulus_ns`, `rise_ns`, `fall_ns`, `reaction_ns`, `pulse_width_ns` (int64, nanoseconds, null where there is
    nothing), `status` (text: paired, missed, coalesced, ...), `late` (boolean, null without deadline or answer) and the
    segments `wake_delay_ns`, `set_time_ns`, `hold_ns`, `inside_ns`, `outside_ns` (int64). Anything that reads Arrow
    takes it as it stands (`__arrow_c_stream__`). Immutable.
    """

    def __init__(self, table: Any) -> None:
        self._table = table

    def __len__(self) -> int:
        """Number of stimuli."""
        return int(self._table.num_rows)

    def __repr__(self) -> str:
        return f"<{len(self):,} stimuli with their answers; columns {', '.join(self.column_names)}>"

    def __arrow_c_stream__(self, requested_schema: Any = None) -> Any:
        return self._table.__arrow_c_stream__(requested_schema)

    @property
    def column_names(self) -> list[str]:
        """Names of the columns; times have their unit in the name."""
        return list(self._table.column_names)

    @property
    def reaction_ns(self) -> Int64s:
        """Reaction times of the stimuli that were answered, shape (answers,), int64 nanoseconds, in order of time."""
        found: Int64s = self._table["reaction_ns"].drop_null().to_numpy()
        return found

    def to_arrow(self) -> Any:
        """The `pyarrow.Table`."""
        return self._table

    def to_pandas(self) -> Any:
        """A `pandas.DataFrame` with Arrow's types, so that nanoseconds stay whole where values are missing.

        Raises:
            SettingError: pandas is not installed.
        """
        pandas = _other("pandas")
        return self._table.to_pandas(types_mapper=pandas.ArrowDtype)

    def to_polars(self) -> Any:
        """A `polars.DataFrame`.

        Raises:
            SettingError: Polars is not installed.
        """
        return _other("polars").from_arrow(self._table)

    def to_numpy(self) -> dict[str, np.ma.MaskedArray[Any, Any]]:
        """Columns by name, each a masked array of shape (stimuli,): times int64 nanoseconds, flags bool, texts object.

        Where there is no value the array is masked, so that sums and means leave it out.
        """
        import numpy as np

        found: dict[str, np.ma.MaskedArray[Any, Any]] = {}
        for name, column in zip(self.column_names, self._table.itercolumns(), strict=True):
            missing = column.is_null().to_numpy()
            filler = {"int64": 0, "bool": False}.get(str(column.type), "")
            values = column.fill_null(filler).to_numpy()
            found[name] = np.ma.MaskedArray(values, mask=missing)
        return found

    def _repr_html_(self) -> str:
        from edgereply.report.tables.html_table import html_table

        names = [name for name in self.column_names if name.endswith(("_index", "_ns")) or name in ("status", "late")]
        rows = self._table.slice(0, _SHOWN).select(names).to_pylist()
        cells = [["" if row[name] is None else str(row[name]) for name in names] for row in rows]
        virtual = ", virtual" if True in self._table["virtual"].unique().to_pylist() else ""
        return html_table(f"{len(self):,} stimuli{virtual}, the first {len(rows)}", names, cells)


def read_answers(directory: Path) -> Answers:
    """Pair a run and put it into one table.

    Raises:
        DataError: not a run, damaged or altered.
        HostError: more memory is needed than is free.
    """
    from edgereply.exchange.export.tables import joined

    return Answers(joined(batches(directory, "pairs"), "pairs"))


def _other(name: str) -> Any:
    """A library that the program itself does without.

    Raises:
        SettingError: it is not installed.
    """
    try:
        return importlib.import_module(name)
    except ImportError as error:
        raise SettingError(f"{name} is not installed", where=name, remedy=f"pip install {name}") from error
