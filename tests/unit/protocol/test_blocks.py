import struct
from array import array
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.unit.protocol.helpers import ANSWERS, EVENTS

from edgereply_protocol import (
    COLUMNS,
    MAX_PAYLOAD,
    MAX_ROWS,
    NO_STAMP,
    Block,
    Layout,
    LocalError,
    RemoteError,
    Stamps,
    blocks,
    decode_block,
    encode_block,
    encode_message,
)

HEAD = struct.Struct("<BBHIQ")
ROW_BYTES = {Layout.ANSWERS: 40, Layout.EVENTS: 13, Layout.TRACE: 41}
NUMPY_TYPES = {"q": "<i8", "I": "<u4", "B": "u1"}
LIMITS = {"q": (-(2**63), 2**63 - 1), "I": (0, 2**32 - 1), "B": (0, 255)}


def block_of(layout: Layout, rows: int, first: int = 0) -> Block:
    return Block(layout, first, {name: array(code, range(rows)) for name, code in COLUMNS[layout]})


@st.composite
def some_blocks(draw: st.DrawFn) -> Block:
    layout = draw(st.sampled_from(Layout))
    rows = draw(st.integers(0, 20))
    columns = {
        name: array(code, draw(st.lists(st.integers(*LIMITS[code]), min_size=rows, max_size=rows)))
        for name, code in COLUMNS[layout]
    }
    return Block(layout, draw(st.integers(0, 2**64 - 1)), columns)


@given(some_blocks())
def test_round_trip(block: Block) -> None:
    assert decode_block(encode_block(block)) == block


@pytest.mark.parametrize("block", [ANSWERS, EVENTS], ids=["answers", "events"])
def test_bytes_as_struct_packs_them(block: Block) -> None:
    wanted = COLUMNS[block.layout]
    packed = HEAD.pack(block.layout, len(wanted), 0, block.rows, block.first)
    for name, code in wanted:
        packed += struct.pack(f"<{block.rows}{code}", *block.columns[name])
    assert encode_block(block) == packed
    assert len(packed) == HEAD.size + block.rows * ROW_BYTES[block.layout]


@pytest.mark.parametrize("block", [ANSWERS, EVENTS], ids=["answers", "events"])
def test_numpy_reads_columns_without_a_copy(block: Block) -> None:
    arrived = decode_block(encode_block(block))
    for name, code in COLUMNS[block.layout]:
        column = np.frombuffer(arrived.columns[name], NUMPY_TYPES[code])
        assert column.tolist() == block.columns[name].tolist()
        assert column.itemsize == {"q": 8, "I": 4, "B": 1}[code]


def test_numpy_sees_a_stamp_not_taken() -> None:
    column = np.frombuffer(decode_block(encode_block(ANSWERS)).columns["edge_ns"], np.int64)
    assert column[2] == np.iinfo(np.int64).min == NO_STAMP


@pytest.mark.parametrize("layout", Layout)
def test_limits(layout: Layout) -> None:
    empty, full = (
        block_of(layout, 0),
        Block(
            layout,
            2**64 - 1,
            {name: array(code, bytes(MAX_ROWS * array(code).itemsize)) for name, code in COLUMNS[layout]},
        ),
    )
    for block in (empty, full):
        assert decode_block(encode_block(block)) == block
    assert full.rows == MAX_ROWS
    assert len(encode_message(Stamps(full))) <= MAX_PAYLOAD
    one_more = {name: column + column[:1] for name, column in full.columns.items()}
    with pytest.raises(LocalError, match="at most 16384 rows"):
        encode_block(Block(layout, 0, one_more))


def changed(**columns: Any) -> Block:
    return Block(Layout.EVENTS, 0, {**EVENTS.columns, **columns})


@pytest.mark.parametrize(
    ("block", "text"),
    [
        (Block(Layout.EVENTS, 0, {}), "needs the columns"),
        (Block(Layout.ANSWERS, 0, EVENTS.columns), "needs the columns"),
        (changed(extra=array("B", bytes(4))), "needs the columns"),
        (changed(kind=array("B", [1])), "one length"),
        (changed(at_ns=array("Q", bytes(32))), "column at_ns must be an array of type 'q', not 'Q'"),
        (changed(at_ns=array("d", bytes(32))), "not 'd'"),
        (changed(seqno=array("i", bytes(16))), "not 'i'"),
        (changed(at_ns=[1, 2, 3, 4]), "not 'list'"),
        (changed(at_ns=np.zeros(4, np.int64)), "not 'l'|not 'ndarray'"),
        (Block(Layout.EVENTS, -1, EVENTS.columns), "first row"),
        (Block(Layout.EVENTS, 2**64, EVENTS.columns), "first row"),
        (Block(99, 0, EVENTS.columns), "no stamp layout 99"),  # type: ignore[arg-type]
    ],
)
def test_what_fits_no_layout_is_our_fault(block: Block, text: str) -> None:
    with pytest.raises(LocalError, match=text):
        encode_block(block)


@pytest.mark.parametrize("block", [ANSWERS, EVENTS], ids=["answers", "events"])
def test_cut_and_padded_blocks_are_refused(block: Block) -> None:
    data = encode_block(block)
    for cut in range(len(data)):
        with pytest.raises(RemoteError, match=r"shorter than its head|must be"):
            decode_block(data[:cut])
    with pytest.raises(RemoteError, match="must be"):
        decode_block(data + b"\0")


@pytest.mark.parametrize(
    ("head", "text"),
    [
        (HEAD.pack(0, 3, 0, 0, 0), "unknown stamp layout 0"),
        (HEAD.pack(4, 3, 0, 0, 0), "unknown stamp layout 4"),
        (HEAD.pack(2, 6, 0, 0, 0), "must be"),
        (HEAD.pack(2, 3, 1, 0, 0), "must be"),
        (HEAD.pack(2, 3, 0, 2**32 - 1, 0), "must be"),
        (HEAD.pack(2, 3, 0, MAX_ROWS + 1, 0) + bytes(13 * (MAX_ROWS + 1)), "16385 rows"),
    ],
)
def test_bad_heads_are_refused(head: bytes, text: str) -> None:
    with pytest.raises(RemoteError, match=text):
        decode_block(head)


@given(st.binary(max_size=300))
def test_random_bytes_raise_nothing_but_remote_error(data: bytes) -> None:
    try:
        block = decode_block(data)
    except RemoteError:
        return
    assert encode_block(block) == data


def test_a_big_endian_end_swaps_once_each_way(monkeypatch: pytest.MonkeyPatch) -> None:
    # On a big-endian machine memory holds the other byte order: swapped columns here stand for that.
    swapped = {name: array(column.typecode, column) for name, column in ANSWERS.columns.items()}
    for column in swapped.values():
        column.byteswap()
    on_the_wire = encode_block(ANSWERS)
    monkeypatch.setattr(blocks, "sys", SimpleNamespace(byteorder="big"))
    theirs = Block(Layout.ANSWERS, ANSWERS.first, swapped)
    kept = {name: column.tobytes() for name, column in swapped.items()}
    assert encode_block(theirs) == on_the_wire
    assert {name: column.tobytes() for name, column in swapped.items()} == kept, "the caller's arrays were changed"
    assert decode_block(on_the_wire) == theirs
