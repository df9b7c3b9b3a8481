"""The ring between two processes."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgereply_agent import ring as ring_module
from edgereply_agent.errors import AgentError
from edgereply_agent.ring import BASE, COUNT, HEAD, SEQNO, TAIL, UNRECORDED, Ring
from edgereply_protocol import MAX_ROWS, NO_STAMP, Layout, decode_block, encode_block


@given(st.integers(1, 9), st.lists(st.one_of(st.just("drain"), st.integers(1, 12)), max_size=40))
def test_rows_come_out_as_they_went_in(capacity: int, steps: list[object]) -> None:
    ring = Ring(Layout.ANSWERS, capacity)
    record = ring.recorder()
    kept: list[int] = []
    out: list[int] = []
    written = refused = 0
    for step in [*steps, "drain", "drain", "drain"]:
        if isinstance(step, int):
            for _ in range(step):
                written += 1
                record(written, -written, NO_STAMP, 2**62 - written, written, 2**32 - written)
                if len(kept) - len(out) < capacity:
                    kept.append(written)
                else:
                    refused += 1
        else:
            while (block := ring.drain()) is not None:
                assert block.first == len(out)
                columns = block.columns
                out += columns["edge_ns"]
                for edge, wake, set_, clear, seqno, line in zip(*columns.values(), strict=True):
                    assert (wake, set_, clear) == (-edge, NO_STAMP, 2**62 - edge)
                    assert (seqno, line) == (edge, 2**32 - edge)
                assert decode_block(encode_block(block)) == block
    assert out == kept
    assert ring.cells[UNRECORDED] == refused


def test_rows_are_not_taken_before_they_are_settled() -> None:
    ring = Ring(Layout.EVENTS, 8)
    record = ring.recorder()
    record(5, 1, 1)
    assert ring.drain() is None, "counted since the last call: the row may not be visible yet"
    record(6, 2, 2)
    block = ring.drain()
    assert block is not None
    assert list(block.columns["at_ns"]) == [5]
    block = ring.drain(final=True)
    assert block is not None
    assert {name: list(values) for name, values in block.columns.items()} == {"kind": [2], "at_ns": [6], "seqno": [2]}


def test_a_block_is_never_too_large() -> None:
    ring = Ring(Layout.EVENTS, MAX_ROWS + 10)
    record = ring.recorder()
    for number in range(MAX_ROWS + 10):
        record(number, 3, number)
    sizes = []
    while (block := ring.drain(final=True)) is not None:
        sizes.append(block.rows)
        assert set(block.columns["kind"]) == {3}
    assert sizes == [MAX_ROWS, 10]


@pytest.mark.parametrize("base", [0, 7, 2**32 - 3])
def test_lost_are_the_numbers_that_did_not_come(base: int) -> None:
    ring = Ring(Layout.ANSWERS, 8)
    ring.cells[BASE] = base
    assert ring.counts() == (0, 0, 0), "before the first edge there is nothing to compare with"
    ring.cells[COUNT] = 5
    ring.cells[SEQNO] = (base + 5) & 0xFFFFFFFF
    assert ring.counts() == (5, 0, 0)
    ring.cells[SEQNO] = (base + 12) & 0xFFFFFFFF
    assert ring.counts() == (5, 7, 0)
    ring.cells[SEQNO] = (base + 4) & 0xFFFFFFFF
    assert ring.counts() == (5, 0, 0), "a count read one ahead of its number is no loss"


def test_counters_wrap() -> None:
    ring = Ring(Layout.EVENTS, 4)
    record = ring.recorder()
    for number in range(6):
        record(number, 1, number)
        ring.cells[TAIL] = ring.cells[HEAD]
    assert ring.cells[HEAD] == 6
    assert ring.cells[UNRECORDED] == 0


def test_error_crosses() -> None:
    ring = Ring(Layout.EVENTS, 1)
    assert ring.error() is None
    ring.leave_error({"code": "internal", "what": "ü" * 10})
    assert ring.error() == {"code": "internal", "what": "ü" * 10}
    struct.pack_into("=I", ring.memory, ring_module.ERROR_AT, 7)
    assert ring.error() is None, "half a report is none"


def test_no_memory_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(_fd: int, _size: int) -> None:
        raise OSError(12, "Cannot allocate memory")

    monkeypatch.setattr("edgereply_agent.ring.mmap.mmap", refuse)
    with pytest.raises(AgentError) as caught:
        Ring(Layout.EVENTS, 1 << 20)
    assert caught.value.code == "no-memory"
    assert caught.value.remedy
