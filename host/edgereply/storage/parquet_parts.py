"""Stamps as Parquet tables, and tables of unknown origin checked before anything is computed from them."""

from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from numpy.typing import NDArray

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.errors import DataError
from edgereply.storage.stamps import BoardStamps, ObservedEdges, SourceStamps
from edgereply.storage.trace_events import TraceEvents
from edgereply_protocol import TraceKind

SOURCE_COLUMNS = ("stimulus_ns", "rise_ns", "fall_ns")
BOARD_COLUMNS = ("edge_ns", "wake_ns", "set_ns", "clear_ns")
SEQUENCES = ("seqno", "line_seqno")
OBSERVED_COLUMNS = ("at_ns", "kind", "seqno")
# More than any run writes into a part, however long it is.
MOST_ROWS, MOST_BYTES, MOST_COLUMNS = 10_000_000, 1 << 30, 64
# Half of what 64 bits hold, so that no difference of two stamps overflows: 146 years.
FARTHEST_NS = 1 << 62
TRACE_SCHEMA: Final = pa.schema([
    ("edge_ns", pa.int64()), ("set_ns", pa.int64()), ("late", pa.uint8()), ("whole", pa.uint8()), ("pid", pa.uint32()),
    ("at_ns", pa.int64()), ("kind", pa.uint8()), ("cpu", pa.uint32()), ("number", pa.uint32()),
    ("priority", pa.uint32()), ("name", pa.string()), ("before", pa.uint32()), ("before_priority", pa.uint32()),
    ("before_state", pa.uint32()), ("before_name", pa.string()),
])  # fmt: skip
MOST_NAME = 256


def read_source(path: Path) -> SourceStamps:
    """Rows of one part of `stamps/`.

    Raises:
        DataError: it cannot be read, or has what no source gives.
    """
    table = _read(path, SOURCE_COLUMNS)
    return SourceStamps(*(_int64(table, name) for name in SOURCE_COLUMNS))


def read_board(path: Path) -> BoardStamps:
    """Rows of one part of `board/`.

    Raises:
        DataError: it cannot be read, or has what no board gives.
    """
    table = _read(path, BOARD_COLUMNS + SEQUENCES)
    edge, wake, high, low = (_int64(table, name) for name in BOARD_COLUMNS)
    seqno, line_seqno = (np.asarray(_numpy(table.column(name)), np.uint32) for name in SEQUENCES)
    return BoardStamps(edge, wake, high, low, seqno, line_seqno)


def read_observed(path: Path) -> ObservedEdges:
    """Rows of one part of `observed/`.

    Raises:
        DataError: it cannot be read, or has what no board gives.
    """
    table = _read(path, OBSERVED_COLUMNS)
    kind, seqno = (_numpy(table.column(name)) for name in ("kind", "seqno"))
    return ObservedEdges(_int64(table, "at_ns"), kind.astype(np.uint8), seqno.astype(np.uint32))


def give_back() -> None:
    """Return to the system what was kept for decoding more parts: tens of megabytes beside a long run."""
    pa.default_memory_pool().release_unused()


def rows_of(path: Path) -> int:
    """How many rows a part says it has.

    Raises:
        DataError: it cannot be read.
    """
    try:
        found = pq.read_metadata(path)
        if _too_large(found):
            raise DataError("a part is larger than any run writes", where=str(path), remedy="do not trust it")
        return int(found.num_rows)
    except (OSError, ValueError, pa.ArrowException) as error:
        raise _unreadable(path, error) from error


def source_table(stamps: SourceStamps) -> pa.Table:
    """Columns of `stamps/`."""
    return pa.table({name: _nullable(getattr(stamps, name)) for name in SOURCE_COLUMNS})


def board_table(stamps: BoardStamps) -> pa.Table:
    """Columns of `board/`."""
    columns = {name: _nullable(getattr(stamps, name)) for name in BOARD_COLUMNS}
    return pa.table(columns | {name: pa.array(getattr(stamps, name)) for name in SEQUENCES})


def observed_table(edges: ObservedEdges) -> pa.Table:
    """Columns of `observed/`."""
    return pa.table({name: pa.array(getattr(edges, name)) for name in OBSERVED_COLUMNS})


def write_part(table: pa.Table, path: Path) -> None:
    """Write one part: stamps rise steadily, so their differences take a third of the room and a quarter of the time.

    Raises:
        OSError: it cannot be written.
    """
    differences = dict.fromkeys(table.column_names, "DELTA_BINARY_PACKED")
    pq.write_table(
        table, path, compression="none", use_dictionary=False, column_encoding=differences, write_page_checksum=True
    )


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


def _nullable(values: Int64s) -> pa.Array:
    return pa.array(values, mask=values == NO_STAMP)


def _schema(table: pa.Table, columns: tuple[str, ...]) -> pa.Schema:
    """Times and numbers of sequence as we write them, other columns as they are."""

    def kind(name: str) -> pa.DataType:
        if name in SEQUENCES:
            return pa.uint32()
        return pa.int64() if name.endswith("_ns") else table.schema.field(name).type

    return pa.schema([(name, kind(name)) for name in columns])


def _check_range(table: pa.Table, name: str, path: Path) -> None:
    column = table.column(name)
    if name in SEQUENCES:
        wrong = column.null_count > 0
    elif not name.endswith("_ns"):
        return
    else:
        ends = pc.min_max(column)
        low, high = ends["min"].as_py() or 0, ends["max"].as_py() or 0
        wrong = low <= -FARTHEST_NS or high >= FARTHEST_NS
    if wrong:
        raise DataError(f"a part has a {name} that no board or source can give", where=str(path), remedy="restore it")


def _int64(table: pa.Table, name: str) -> Int64s:
    column = table.column(name)
    return np.asarray(_numpy(column.fill_null(NO_STAMP) if column.null_count else column), np.int64)


def _numpy(column: pa.ChunkedArray) -> NDArray[Any]:
    """The numbers of a column without nulls; `to_numpy` would import pandas where that is installed: 0.3 s."""
    return np.from_dlpack(column.combine_chunks())


def _too_large(found: pq.FileMetaData) -> bool:
    held = sum(found.row_group(index).total_byte_size for index in range(found.num_row_groups))
    return bool(found.num_rows > MOST_ROWS or held > MOST_BYTES or found.num_columns > MOST_COLUMNS)


def _read(path: Path, columns: tuple[str, ...]) -> pa.Table:
    try:
        with pq.ParquetFile(path, page_checksum_verification=True, pre_buffer=False) as file:
            if _too_large(file.metadata):
                raise DataError("a part is larger than any run writes", where=str(path), remedy="do not trust it")
            # Parts are small: threads would cost more than they bring.
            table = file.read(columns=list(columns), use_threads=False)
        if not set(columns) - set(table.column_names):
            table = table.select(columns).cast(_schema(table, columns))
    except (OSError, ValueError, pa.ArrowException) as error:
        raise _unreadable(path, error) from error
    if missing := set(columns) - set(table.column_names):
        raise DataError(f"a part lacks the columns {sorted(missing)}", where=str(path), remedy="restore it")
    for name in columns:
        _check_range(table, name, path)
    return table


def _read_as(path: Path, schema: pa.Schema) -> pa.Table:
    """A part as a table of the columns and types wanted, bounded like all others; the values are not looked at.

    Raises:
        DataError: it cannot be read, is too large, or lacks a column.
    """
    try:
        with pq.ParquetFile(path, page_checksum_verification=True, pre_buffer=False) as file:
            if _too_large(file.metadata):
                raise DataError("a part is larger than any run writes", where=str(path), remedy="do not trust it")
            table = file.read(columns=schema.names, use_threads=False)
        if missing := set(schema.names) - set(table.column_names):
            raise DataError(f"a part lacks the columns {sorted(missing)}", where=str(path), remedy="restore it")
        return table.select(schema.names).cast(schema)
    except (OSError, ValueError, pa.ArrowException) as error:
        raise _unreadable(path, error) from error


def _unreadable(path: Path, error: Exception) -> DataError:
    return DataError(
        f"a part cannot be read: {str(error).splitlines()[0]}",
        where=str(path),
        remedy="restore it from a copy, or move it away to read the others",
    )


def _trace_column(column: pa.ChunkedArray) -> Any:
    if column.type == pa.string():
        return np.array(column.to_pylist(), dtype=object)
    return np.from_dlpack(column.combine_chunks()) if len(column) else np.empty(0, column.type.to_pandas_dtype())


def _in_range(column: pa.ChunkedArray) -> bool:
    ends = pc.min_max(column)
    return (ends["min"].as_py() or 0) > -FARTHEST_NS and (ends["max"].as_py() or 0) < FARTHEST_NS


def _wrong(path: Path, name: str) -> DataError:
    return DataError(f"a part has a {name} that no board can give", where=str(path), remedy="restore it")
