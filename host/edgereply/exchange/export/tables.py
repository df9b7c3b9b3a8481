"""Batches into Parquet and CSV files, by Arrow."""

from collections.abc import Callable, Iterable
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.exchange.export.batches import FACTS, STATUS_NAMES, Batch, Kind, Rows, columns
from edgereply.storage.parquet_parts import arrow_column, words_column

_TYPES: dict[Kind, Any] = {
    "integer": pa.int64(),
    "sequence": pa.uint32(),
    "status": pa.string(),
    "flag": pa.bool_(),
}
_NUMPY: dict[Kind, Any] = {"integer": np.int64, "sequence": np.uint32, "flag": np.bool_}


def schema(what: Rows) -> pa.Schema:
    """Columns of the table: facts of the run first, then times in integer nanoseconds; null where there is none."""
    fields = [(name, pa.string()) for name in FACTS] + [("virtual", pa.bool_()), ("clock", pa.string())]
    return pa.schema(fields + [(name, _TYPES[kind]) for name, kind in columns(what).items()])


def to_table(batch: Batch, what: Rows) -> pa.Table:
    """One batch by that schema."""
    rows = batch.rows
    first = np.zeros(rows, np.uint8)
    facts = [words_column((batch.facts[name],), first) for name in FACTS]
    facts += [arrow_column(np.full(rows, batch.virtual)), words_column((batch.clock,), first)]
    values = [_array(batch.values.get(name), kind, rows) for name, kind in columns(what).items()]
    return pa.Table.from_arrays(facts + values, schema=schema(what))  # pa.table would import pandas


def joined(batches: Iterable[Batch], what: Rows) -> pa.Table:
    """Batches end to end as one table by that schema, in one piece; without rows where there are none."""
    return (
        schema(what).empty_table()
        if not (found := [to_table(batch, what) for batch in batches])
        else (pa.concat_tables(found).combine_chunks())
    )


def _array(values: Any, kind: Kind, rows: int) -> pa.Array:
    if values is None:
        return pa.nulls(rows, _TYPES[kind])
    if kind == "status":
        return words_column(STATUS_NAMES, values)
    missing = values == NO_STAMP
    if missing.any():
        values = np.where(missing, 0, values)
    return arrow_column(values.astype(_NUMPY[kind], copy=False), missing)


class TableFile:
    """A table in one file, written batch by batch. A context manager; not thread-safe."""

    def __init__(self, writer: Callable[[], Any], what: Rows) -> None:
        self._open = writer
        self._what = what
        self._writer: Any = None

    def __enter__(self) -> Self:
        self._writer = self._open()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._writer.close()

    def write(self, batch: Batch) -> None:
        """Add rows.

        Raises:
            OSError: they cannot be written.
        """
        self._writer.write_table(to_table(batch, self._what))


def parquet_file(path: Path, what: Rows) -> TableFile:
    """A Parquet file: zstd, page checksums, one row group a batch."""
    return TableFile(lambda: pq.ParquetWriter(path, schema(what), compression="zstd", write_page_checksum=True), what)


def csv_file(path: Path, what: Rows) -> TableFile:
    """A CSV file (RFC 4180 but for line feeds): a line of names, nothing between the commas where there is no value."""
    # pyarrow.csv takes as long to import as a Parquet file to write.
    import pyarrow.csv as pa_csv

    options = pa_csv.WriteOptions(include_header=True, quoting_style="needed")
    return TableFile(lambda: pa_csv.CSVWriter(path, schema(what), write_options=options), what)
