"""Parts of `trace/` of unknown origin: refused before anything is made of them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from edgereply.errors import DataError
from edgereply.storage.trace_parts import TRACE_SCHEMA, read_trace, trace_table, write_trace
from tests.fakes.traced_runs import events_beside

EDGES = np.array([1_000_000, 9_000_000], np.int64)


def table() -> pa.Table:
    """A sound part."""
    return trace_table(events_beside(EDGES, EDGES + 30_000))


def altered(path: Path, name: str, values: list[Any], kind: pa.DataType | None = None) -> Path:
    """A part with one column changed."""
    sound = table()
    column = pa.array((values * sound.num_rows)[: sound.num_rows], kind or TRACE_SCHEMA.field(name).type)
    pq.write_table(sound.set_column(TRACE_SCHEMA.get_field_index(name), name, column), path, write_page_checksum=True)
    return path


def test_what_was_written_is_read(tmp_path: Path) -> None:
    write_trace(table(), tmp_path / "part.parquet")
    rows, wanted = read_trace(tmp_path / "part.parquet"), events_beside(EDGES, EDGES + 30_000)
    for column, other in zip(rows.columns(), wanted.columns(), strict=True):
        assert column.tolist() == other.tolist()
        assert column.dtype == other.dtype


@pytest.mark.parametrize(
    ("name", "values"),
    [
        ("at_ns", [2**62]), ("edge_ns", [-(2**62)]), ("set_ns", [None]), ("kind", [77]), ("name", ["x" * 300]),
        ("before_name", [None]), ("cpu", [None]),
    ],
)  # fmt: skip
def test_values_that_no_board_gives_are_refused(tmp_path: Path, name: str, values: list[Any]) -> None:
    with pytest.raises(DataError, match=f"a {name} that no board can give"):
        read_trace(altered(tmp_path / "part.parquet", name, values))


def test_other_types_and_missing_columns_are_refused(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="cannot be read"):
        read_trace(altered(tmp_path / "words.parquet", "at_ns", ["soon"], pa.string()))
    pq.write_table(table().drop_columns(["kind"]), tmp_path / "less.parquet")
    with pytest.raises(DataError, match=r"lacks the columns \['kind'\]"):
        read_trace(tmp_path / "less.parquet")
    (tmp_path / "none.parquet").write_bytes(b"PAR1")
    with pytest.raises(DataError, match="cannot be read"):
        read_trace(tmp_path / "none.parquet")
