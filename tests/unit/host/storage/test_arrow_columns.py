"""Columns made from buffers against Arrow's own conversions."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest
from numpy.typing import NDArray

from edgereply.storage.parquet_parts import arrow_column, with_presence, words_column

ROWS = (0, 1, 7, 8, 9, 1000)


def missing_of(rows: int) -> list[NDArray[np.bool_] | None]:
    some = np.random.default_rng(rows).random(rows) < 0.3
    return [None, some, np.zeros(rows, np.bool_), np.ones(rows, np.bool_)]


@pytest.mark.parametrize("rows", ROWS)
@pytest.mark.parametrize("kind", ["int64", "uint32", "uint8", "bool"])
def test_numbers_and_flags(rows: int, kind: str) -> None:
    values = np.random.default_rng(1).integers(0, 2 if kind == "bool" else 200, rows).astype(kind)
    for missing in missing_of(rows):
        made, reference = arrow_column(values, missing), pa.array(values, mask=missing)
        made.validate(full=True)
        assert made.equals(reference)
        assert made.null_count == reference.null_count


@pytest.mark.parametrize("rows", ROWS)
def test_there_and_back_across_pieces_and_from_the_middle(rows: int) -> None:
    values = np.random.default_rng(2).integers(-(2**60), 2**60, rows)
    for missing in missing_of(rows):
        whole = pa.array(values, mask=missing)
        for column in (pa.chunked_array([whole] * 2).slice(1), pa.chunked_array([whole.slice(3)])):
            found, there = with_presence(column)
            assert np.where(there, found, -1).tolist() == column.fill_null(-1).to_pylist()
            assert (there is True) == (column.null_count == 0)


@pytest.mark.parametrize("rows", ROWS)
def test_words(rows: int) -> None:
    names, place = ("paired", "", "über"), np.random.default_rng(3).integers(0, 3, rows).astype(np.uint8)
    made = words_column(names, place)
    made.validate(full=True)
    assert made.to_pylist() == [names[index] for index in place]
    assert made.type == pa.string()
