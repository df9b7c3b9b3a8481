import itertools

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.storage.stamps import FALL, RISE, STIMULUS, RowBuilder, SourceStamps

MS = 1_000_000


def build(kinds: list[int], times: list[int], cuts: list[int]) -> SourceStamps:
    builder = RowBuilder()
    kind, at = np.array(kinds, np.uint8), np.array(times, np.int64)
    bounds = [0, *sorted(cut for cut in cuts if cut < len(kinds)), len(kinds)]
    rows = [builder.feed(kind[a:b], at[a:b]) for a, b in itertools.pairwise(bounds)]
    return SourceStamps.concatenate([*rows, builder.finish()])


def as_list(column: NDArray[np.int64]) -> list[int | None]:
    return [None if value == NO_STAMP else int(value) for value in column]


def test_one_row_a_stimulus_with_what_came_before_the_next() -> None:
    rows = build(
        [STIMULUS, RISE, FALL, STIMULUS, STIMULUS, RISE, FALL], [0, 5, 6, 10 * MS, 20 * MS, 21 * MS, 22 * MS], []
    )
    assert as_list(rows.stimulus_ns) == [0, 10 * MS, 20 * MS]
    assert as_list(rows.rise_ns) == [5, None, 21 * MS]
    assert as_list(rows.fall_ns) == [6, None, 22 * MS]


def test_further_edges_get_rows_of_their_own_in_time_order() -> None:
    rows = build([RISE, STIMULUS, RISE, FALL, RISE, STIMULUS], [1, 10 * MS, 11 * MS, 12 * MS, 13 * MS, 30 * MS], [])
    assert as_list(rows.stimulus_ns) == [None, 10 * MS, None, 30 * MS]
    assert as_list(rows.rise_ns) == [1, 11 * MS, 13 * MS, None]


EDGES = st.lists(st.tuples(st.sampled_from([STIMULUS, RISE, FALL]), st.integers(1, 3 * MS)), max_size=40)


@given(EDGES, st.lists(st.integers(0, 40), max_size=5))
def test_no_edge_is_lost_or_moved_however_the_stream_is_cut(edges: list[tuple[int, int]], cuts: list[int]) -> None:
    kinds = [kind for kind, _ in edges]
    times = np.cumsum([0, *(gap for _, gap in edges)])[1:].tolist()
    rows = build(kinds, times, cuts)
    for wanted, column in zip((STIMULUS, RISE, FALL), rows.edges(), strict=True):
        assert column.tolist() == [t for k, t in zip(kinds, times, strict=True) if k == wanted]
    stimuli = rows.stimulus_ns[rows.stimulus_ns != NO_STAMP]
    assert np.all(np.diff(stimuli) > 0)


@given(EDGES, st.lists(st.integers(0, 40), max_size=5))
def test_cutting_the_stream_changes_no_row(edges: list[tuple[int, int]], cuts: list[int]) -> None:
    kinds = [kind for kind, _ in edges]
    times = np.cumsum([0, *(gap for _, gap in edges)])[1:].tolist()
    whole, cut = build(kinds, times, []), build(kinds, times, cuts)
    for name in ("stimulus_ns", "rise_ns", "fall_ns"):
        assert as_list(getattr(whole, name)) == as_list(getattr(cut, name))


def test_edges_out_of_order_by_less_than_a_millisecond_are_put_right() -> None:
    builder = RowBuilder()
    rows = [builder.feed(np.array([RISE], np.uint8), np.array([500_000])),
            builder.feed(np.array([STIMULUS], np.uint8), np.array([100_000])), builder.finish()]  # fmt: skip
    done = SourceStamps.concatenate(rows)
    assert (as_list(done.stimulus_ns), as_list(done.rise_ns)) == ([100_000], [500_000])
