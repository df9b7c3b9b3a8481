"""What a board's kernel did beside late answers, as Parquet tables, checked like all parts."""

from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from edgereply.errors import DataError
from edgereply.storage.parquet_parts import FARTHEST_NS, too_large, unreadable, with_presence
from edgereply.storage.trace_events import TraceEvents
from edgereply_protocol import TraceKind

TRACE_SCHEMA: Final = pa.schema([
    ("edge_ns", pa.int64()), ("set_ns", pa.int64()), ("late", pa.uint8()), ("whole", pa.uint8()), ("pid", pa.uint32()),
    ("at_ns", pa.int64()), ("kind", pa.uint8()), ("cpu", pa.uint32()), ("number", pa.uint32()),
    ("priority", pa.uint32()), ("name", pa.string()), ("before", pa.uint32()), ("before_priority", pa.uint32()),
    ("before_state", pa.uint32()), ("before_name", pa.string()),
])  # fmt: skip
MOST_NAME = 256


def trace_table(events: TraceEvents) -> pa.Table:
    """Columns of `trace/`."""
    return pa.table(
        {
            name: pa.array(column, TRACE_SCHEMA.field(name).type)
            for name, column in zip(TRACE_SCHEMA.names, events.columns(), strict=True)
        }
    )


def write_trace(table: pa.Table, path: Path) -> None:
    """Write one part; names recur, so they are kept once.

    Raises:
        OSError: it cannot be written.
    """
    pq.write_table(table, path, compression="snappy", use_dictionary=True, write_page_checksum=True)


def read_trace(path: Path) -> TraceEvents:
    """Rows of one part of `trace/`.

    Raises:
        DataError: it cannot be read, or has what no board gives.
    """
    # Its functions are generated at import: what is not traced does without.
    import pyarrow.compute as pc

    table = _read_as(path, TRACE_SCHEMA)
    for name in TRACE_SCHEMA.names:
        column = table.column(name)
        if column.null_count or (name.endswith("_ns") and not _in_range(column)):
            raise _wrong(path, name)
    for name in ("name", "before_name"):
        if (pc.max(pc.utf8_length(table.column(name))).as_py() or 0) > MOST_NAME:
            raise _wrong(path, name)
    kinds = set(pc.unique(table.column("kind")).to_pylist())
    if not kinds <= set(TraceKind):
        raise _wrong(path, "kind")
    columns = [_trace_column(table.column(name)) for name in TRACE_SCHEMA.names]
    return TraceEvents(*columns)


def _read_as(path: Path, schema: pa.Schema) -> pa.Table:
    """A part as a table of the columns and types wanted, bounded like all others; the values are not looked at.

    Raises:
        DataError: it cannot be read, is too large, or lacks a column.
    """
    try:
        with pq.ParquetFile(path, page_checksum_verification=True, pre_buffer=False) as file:
            if too_large(file.metadata):
                raise DataError("a part is larger than any run writes", where=str(path), remedy="do not trust it")
            table = file.read(columns=schema.names, use_threads=False)
        if missing := set(schema.names) - set(table.column_names):
            raise DataError(f"a part lacks the columns {sorted(missing)}", where=str(path), remedy="restore it")
        return table.select(schema.names).cast(schema)
    except (OSError, ValueError, pa.ArrowException) as error:
        raise unreadable(path, error) from error


def _trace_column(column: pa.ChunkedArray) -> Any:
    if column.type == pa.string():
        return np.array(column.to_pylist(), dtype=object)
    return np.from_dlpack(column.combine_chunks()) if len(column) else np.empty(0, column.type.to_pandas_dtype())


def _in_range(column: pa.ChunkedArray) -> bool:
    values = np.asarray(with_presence(column)[0])
    return not values.size or bool(-FARTHEST_NS < int(values.min()) <= int(values.max()) < FARTHEST_NS)


def _wrong(path: Path, name: str) -> DataError:
    return DataError(f"a part has a {name} that no board can give", where=str(path), remedy="restore it")
