"""Stamps as Parquet tables, and tables of unknown origin checked before anything is computed from them.

Columns become arrays and arrays columns through the buffers they lie in: one of numbers, and one of bits, the lowest
first, that are set where there is a number. Arrow's own conversions import pandas where that is installed, a third of a
second, and `pyarrow.compute`, whose functions are generated at import: more than reading or writing an ordinary run
takes.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from edgereply.analysis.arrays.aliases import Bools, Int64s
from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.errors import DataError
from edgereply.storage.stamps import BoardStamps, ObservedEdges, SourceStamps

SOURCE_COLUMNS = ("stimulus_ns", "rise_ns", "fall_ns")
BOARD_COLUMNS = ("edge_ns", "wake_ns", "set_ns", "clear_ns")
SEQUENCES = ("seqno", "line_seqno")
OBSERVED_COLUMNS = ("at_ns", "kind", "seqno")
# More than any run writes into a part, however long it is.
MOST_ROWS, MOST_BYTES, MOST_COLUMNS = 10_000_000, 1 << 30, 64
# Half of what 64 bits hold, so that no difference of two stamps overflows: 146 years.
FARTHEST_NS = 1 << 62


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
    seqno, line_seqno = (np.asarray(_numbers(table.column(name)), np.uint32) for name in SEQUENCES)
    return BoardStamps(edge, wake, high, low, seqno, line_seqno)


def read_observed(path: Path) -> ObservedEdges:
    """Rows of one part of `observed/`.

    Raises:
        DataError: it cannot be read, or has what no board gives.
    """
    table = _read(path, OBSERVED_COLUMNS)
    kind, seqno = (_numbers(table.column(name)) for name in ("kind", "seqno"))
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
        if too_large(found):
            raise DataError("a part is larger than any run writes", where=str(path), remedy="do not trust it")
        return int(found.num_rows)
    except (OSError, ValueError, pa.ArrowException) as error:
        raise unreadable(path, error) from error


def source_table(stamps: SourceStamps) -> pa.Table:
    """Columns of `stamps/`."""
    return pa.Table.from_pydict({name: _nullable(getattr(stamps, name)) for name in SOURCE_COLUMNS})


def board_table(stamps: BoardStamps) -> pa.Table:
    """Columns of `board/`."""
    columns = {name: _nullable(getattr(stamps, name)) for name in BOARD_COLUMNS}
    return pa.Table.from_pydict(columns | {name: arrow_column(getattr(stamps, name)) for name in SEQUENCES})


def observed_table(edges: ObservedEdges) -> pa.Table:
    """Columns of `observed/`."""
    return pa.Table.from_pydict({name: arrow_column(getattr(edges, name)) for name in OBSERVED_COLUMNS})


def write_part(table: pa.Table, path: Path) -> None:
    """Write one part: stamps rise steadily, so their differences take a third of the room and a quarter of the time.

    Raises:
        OSError: it cannot be written.
    """
    differences = dict.fromkeys(table.column_names, "DELTA_BINARY_PACKED")
    pq.write_table(
        table, path, compression="none", use_dictionary=False, column_encoding=differences, write_page_checksum=True
    )


def _nullable(values: Int64s) -> pa.Array:
    return arrow_column(values, values == NO_STAMP)


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
        values, there = with_presence(column)
        given = values if there is True else values[there]
        wrong = bool(given.size) and not -FARTHEST_NS < int(given.min()) <= int(given.max()) < FARTHEST_NS
    if wrong:
        raise DataError(f"a part has a {name} that no board or source can give", where=str(path), remedy="restore it")


def _int64(table: pa.Table, name: str) -> Int64s:
    values, there = with_presence(table.column(name))
    return values if there is True else np.where(there, values, NO_STAMP)


def too_large(found: pq.FileMetaData) -> bool:
    """Whether a part has more than any run writes."""
    held = sum(found.row_group(index).total_byte_size for index in range(found.num_row_groups))
    return bool(found.num_rows > MOST_ROWS or held > MOST_BYTES or found.num_columns > MOST_COLUMNS)


def _read(path: Path, columns: tuple[str, ...]) -> pa.Table:
    try:
        with pq.ParquetFile(path, page_checksum_verification=True, pre_buffer=False) as file:
            if too_large(file.metadata):
                raise DataError("a part is larger than any run writes", where=str(path), remedy="do not trust it")
            # Parts are small: threads would cost more than they bring.
            table = file.read(columns=list(columns), use_threads=False)
        if not set(columns) - set(table.column_names):
            table, wanted = table.select(columns), _schema(table, columns)
            if not table.schema.equals(wanted):
                table = table.cast(wanted)
    except (OSError, ValueError, pa.ArrowException) as error:
        raise unreadable(path, error) from error
    if missing := set(columns) - set(table.column_names):
        raise DataError(f"a part lacks the columns {sorted(missing)}", where=str(path), remedy="restore it")
    for name in columns:
        _check_range(table, name, path)
    return table


def unreadable(path: Path, error: Exception) -> DataError:
    """What is said of a part that cannot be read."""
    return DataError(
        f"a part cannot be read: {str(error).splitlines()[0]}",
        where=str(path),
        remedy="restore it from a copy, or move it away to read the others",
    )


def _numbers(column: pa.ChunkedArray) -> NDArray[Any]:
    """The numbers of a column without nulls."""
    return np.from_dlpack(column.combine_chunks())


def with_presence(column: pa.ChunkedArray) -> tuple[Int64s, Bools | Literal[True]]:
    """The numbers of a column of int64, and where there are some: True for everywhere. What stands elsewhere is chance.

    Returns:
        Shape (n,), int64, perhaps not to be written to; shape (n,), bool, or True.
    """
    if not column.null_count:
        return np.asarray(_numbers(column), np.int64), True
    whole = column.combine_chunks()
    part = slice(whole.offset, whole.offset + len(whole))
    bits, held = whole.buffers()
    there = np.unpackbits(np.frombuffer(bits, np.uint8), count=part.stop, bitorder="little")[part].astype(np.bool_)
    return np.frombuffer(held, np.int64, part.stop)[part], there


def arrow_column(values: NDArray[Any], missing: Bools | None = None) -> pa.Array:
    """A column of numbers or flags.

    Args:
        values: shape (n,), a numpy type that Arrow has under the same name, or bool.
        missing: shape (n,), where there is none; None where all are there.
    """
    flags = values.dtype == np.bool_
    kind: Any = pa.bool_() if flags else getattr(pa, values.dtype.name)()
    held = np.packbits(values.astype(np.bool_), bitorder="little") if flags else np.ascontiguousarray(values)
    lacking = 0 if missing is None else int(np.count_nonzero(missing))
    bits = pa.py_buffer(np.packbits(~missing, bitorder="little")) if missing is not None and lacking else None
    return pa.Array.from_buffers(kind, values.size, [bits, pa.py_buffer(held)], lacking)


def words_column(names: Sequence[str], place: NDArray[Any]) -> pa.Array:
    """A column of words, each one of a few.

    Args:
        names: the words.
        place: shape (n,), integer, which of them; together below 2 GiB.
    """
    encoded = [name.encode() for name in names]
    lengths = np.array([len(name) for name in encoded], np.int64)[place]
    ends = np.concatenate([[0], np.cumsum(lengths)]).astype(np.int32)
    text = b"".join([encoded[index] for index in place.tolist()])
    return pa.Array.from_buffers(pa.string(), place.size, [None, pa.py_buffer(ends), pa.py_buffer(text)], 0)
