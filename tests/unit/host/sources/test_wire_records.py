"""Records and unwrapping, against integers of any size."""

from struct import pack

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgereply.sources.wire_records import RECORDS_LOST, TIME_MARK, RecordError, TickTimeline, decode, ns_from_ticks
from edgereply.storage.stamps import FALL, RISE, STIMULUS

TICK_HZ = 16_000_000
MS = TICK_HZ // 1000


def records(*pairs: tuple[int, int]) -> bytes:
    return b"".join(pack("<BI", kind, value % 2**32) for kind, value in pairs)


def test_layout() -> None:
    """COMMANDS.md: kind u8, value u32, little-endian."""
    kind, value = decode(bytes([1, 0x78, 0x56, 0x34, 0x12, 5, 0, 0, 0, 0x80]))
    assert kind.tolist() == [1, 5]
    assert value.tolist() == [0x12345678, 0x80000000]


@pytest.mark.parametrize("data", [b"\1", b"\1234567", b"\0\0\0\0\0", records((7, 0)), records((1, 0), (255, 0))])
def test_what_no_source_sends(data: bytes) -> None:
    with pytest.raises(RecordError):
        decode(data)


@given(st.lists(st.integers(0, 2**62), min_size=1, max_size=50), st.sampled_from([1_000_000, 16_000_000, 999_999_937]))
def test_ns_against_unbounded_integers(ticks: list[int], rate: int) -> None:
    wanted = [tick * 10**9 // rate for tick in ticks]
    if max(wanted) < 2**63:
        assert ns_from_ticks(np.array(ticks, np.int64), rate).tolist() == wanted


@given(
    st.integers(0, 2**32 - 1),
    st.lists(st.tuples(st.integers(0, 10 * 1000 * MS), st.sampled_from([1, 2, 3, 5])), max_size=200),
    st.data(),
)
def test_unwrapping_against_unbounded_integers(origin: int, steps: list[tuple[int, int]], data: st.DataObject) -> None:
    """Steps of up to 10 s, over several wraps of 268 s, in pieces of any size."""
    now, sent, truth = origin, [(TIME_MARK, origin)], []
    for step, kind in steps:
        now += step
        sent.append((kind, now))
        if kind != TIME_MARK:
            truth.append((kind, now * 10**9 // TICK_HZ))
    timeline, found = TickTimeline(TICK_HZ), []
    while sent:
        size = data.draw(st.integers(1, len(sent)))
        batch = timeline.batch(records(*sent[:size]))
        found += list(zip(batch.kind.tolist(), batch.at_ns.tolist(), strict=True))
        sent = sent[size:]
    assert found == truth


def test_out_of_order_by_less_than_a_millisecond_across_the_wrap() -> None:
    base = 2**32 - 10
    timeline = TickTimeline(TICK_HZ)
    batch = timeline.batch(records((TIME_MARK, base), (RISE, base + 20), (STIMULUS, base + 5), (FALL, base + 30)))
    assert batch.kind.tolist() == [STIMULUS, RISE, FALL]
    assert batch.at_ns.tolist() == [(base + step) * 125 // 2 for step in (5, 20, 30)]
    late = timeline.batch(records((STIMULUS, base + 30 - MS + 1)))
    assert late.at_ns.tolist() == [(base + 31 - MS) * 125 // 2]


def test_further_out_of_order_is_damage() -> None:
    timeline = TickTimeline(TICK_HZ)
    timeline.batch(records((TIME_MARK, 100_000)))
    with pytest.raises(RecordError, match="before"):
        timeline.batch(records((STIMULUS, 100_000 - MS - 1)))


def test_a_gap_without_time_marks_is_damage_unless_records_were_lost() -> None:
    timeline = TickTimeline(TICK_HZ)
    timeline.batch(records((TIME_MARK, 0), (STIMULUS, 10_000 * MS)))
    with pytest.raises(RecordError, match="after"):
        timeline.batch(records((STIMULUS, 20_000 * MS + 1)))
    batch = timeline.batch(records((RECORDS_LOST, 50), (STIMULUS, 110_000 * MS)))
    assert batch.at_ns.tolist() == [110 * 10**9]


def test_a_run_opens_with_a_time_mark() -> None:
    with pytest.raises(RecordError, match="time mark"):
        TickTimeline(TICK_HZ).batch(records((STIMULUS, 1)))


def test_losses_are_summed_and_no_edges() -> None:
    timeline = TickTimeline(TICK_HZ)
    batch = timeline.batch(records((TIME_MARK, 0), (RECORDS_LOST, 7), (STIMULUS, 9), (RECORDS_LOST, 2**32 - 1)))
    assert batch.kind.tolist() == [STIMULUS]
    assert batch.lost == 7 + 2**32 - 1
    assert timeline.marks == 1
    empty = timeline.batch(b"", done=True)
    assert (len(empty.kind), empty.lost, empty.done) == (0, 0, True)


@given(st.binary(max_size=200))
def test_random_bytes_only_ever_raise_the_named_error(data: bytes) -> None:
    try:
        batch = TickTimeline(TICK_HZ).batch(data)
    except RecordError:
        return
    assert (np.diff(batch.at_ns) >= 0).all()
    assert batch.kind.dtype == np.uint8
    assert batch.at_ns.dtype == np.int64


def test_a_copy_goes_on_alone() -> None:
    timeline = TickTimeline(TICK_HZ)
    timeline.batch(records((TIME_MARK, 2**32 - 1)))
    twin = timeline.copy()
    twin.batch(records((TIME_MARK, 5 * MS)))
    assert timeline.batch(records((STIMULUS, 0))).at_ns.tolist() == [2**32 * 125 // 2]
