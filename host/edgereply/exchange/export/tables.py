"""Batches into Parquet and CSV files, by Arrow."""

from collections.abc import Callable, Iterable
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.exchange.export.batches import FACTS, STATUS_NAMES, Batch, Kind, Rows, columns

_TYPES: dict[Kind, Any] = {
    "integer": pa.int64(),
    "sequence": pa.uint32(),
    "status": pa.string(),
    "flag": pa.bool_(),
}


def schema(what: Rows) -> pa.Schema:
    """Columns of the table: facts of the run first, then times in integer nanoseconds; null where there is none."""
    fields = [(name, pa.string()) for name in FACTS] + [("virtual", pa.bool_()), ("clock", pa.string())]
    return pa.schema(fields + [(name, _TYPES[kind]) for name, kind in columns(what).items()])


def to_table(batch: Batch, what: Rows) -> pa.Table:
    """One batch by that schema."""
    rows = batch.rows
    facts = [pa.repeat(pa.scalar(batch.facts[name]), rows) for name in FACTS]
    facts += [pa.repeat(pa.scalar(batch.virtual), rows), pa.repeat(pa.scalar(batch.clock), rows)]
    values = [_array(batch.values.get(name), kind, rows) for name, kind in columns(what).items()]
    return pa.table(facts + values, schema=schema(what))


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
        return pa.array(STATUS_NAMES, pa.string()).take(pa.array(values))
    missing = values == NO_STAMP
    if missing.any():
        values = np.where(missing, 0, values)
    return pa.array(values, mask=missing).cast(_TYPES[kind])


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
    options = pa_csv.WriteOptions(include_header=True, quoting_style="needed")
    return TableFile(lambda: pa_csv.CSVWriter(path, schema(what), write_options=options), what)
