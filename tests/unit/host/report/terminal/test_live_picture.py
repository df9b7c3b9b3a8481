"""The picture of a running measurement: nothing is lost, late is past the deadline, time runs down."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.text import Text

from edgereply.report.terminal.live_picture import MARGIN, PER_OCTAVE, LivePicture, bucket_of, clock

US, MS = 1_000, 1_000_000
SHADES = " ░▒▓█"


def fed(chunks: list[tuple[float, list[int]]], deadline_ns: int | None = None) -> LivePicture:
    picture = LivePicture(deadline_ns)
    for at_s, values in chunks:
        picture.add(at_s, np.array(values, dtype=np.int64))
    return picture


def cells(row: Text) -> str:
    return row.plain[MARGIN:]


def test_before_the_first_answer_it_says_so() -> None:
    assert [row.plain for row in fed([(0.5, [])]).rows(80, 4, 4)] == ["the picture starts with the first answers"]


@given(
    st.lists(st.tuples(st.floats(0, 200), st.lists(st.integers(-3, 10**11), max_size=8)), max_size=8),
    st.integers(20, 130), st.integers(1, 9), st.integers(1, 20), st.sampled_from([None, 1, 2 * MS, 10**12]),
    st.booleans(),
)  # fmt: skip
def test_it_fits_and_no_answer_is_lost(
    chunks: list[tuple[float, list[int]]], width: int, high: int, low: int, deadline: int | None, plain: bool
) -> None:
    chunks = sorted(chunks)
    picture = fed(chunks, deadline)
    values = np.array([value for _, chunk in chunks for value in chunk], dtype=np.int64)
    assert picture.slowest_ns == (int(values.max()) if values.size else None)
    rows = picture.rows(width, high, low, plain)
    if not values.size:
        return
    assert len(rows) <= high + 1 + low
    assert {len(row.plain) for row in rows} == {max(width, MARGIN + 10)}
    # Every answer has a column of the distribution that stands, and a cell of the strip that is lit.
    foot, strip = cells(rows[high - 1]), [cells(row) for row in rows[high + 1 :]]
    marks = " ┊|" if not plain else " |"
    columns = picture._columns(np.flatnonzero(picture._counts), len(foot))
    for column in columns.of(bucket_of(values)).tolist():
        assert foot[column] not in " ┊"
        assert any(line[column] not in marks for line in strip)


def test_the_distribution_grows_with_the_logarithm_of_the_count() -> None:
    picture = fed([(1.0, [10 * US] * 1000 + [100 * US] * 10 + [MS])])
    rows = [cells(row) for row in picture.rows(80 + MARGIN, 4, 3)[:4]]
    heights = [sum(row[column] != " " for row in rows) for column in range(80)]
    assert [height for height in heights if height] == [4, 2, 1]


def test_what_is_late_stands_past_the_mark_and_is_red() -> None:
    rows = fed([(1.0, [50 * US] * 9 + [3 * MS])], 2 * MS).rows(80, 3, 3)
    axis, strip = rows[3], rows[4]
    mark = strip.plain.index("┊")
    assert "╵deadline" in axis.plain
    late = strip.plain.rindex("░")
    assert late > mark
    reds = [span for span in strip.spans if "red" in str(span.style)]
    assert all(span.start > mark for span in reds)
    assert any(span.start <= late < span.end for span in reds)


def test_an_answer_at_the_deadline_is_not_past_it() -> None:
    row = cells(fed([(1.0, [2 * MS])], 2 * MS).rows(80, 1, 1)[0])
    at_deadline = [n for n, cell in enumerate(row) if cell != " "]
    assert len(at_deadline) == 1


def test_time_runs_down_and_brightness_grows_with_the_count() -> None:
    chunks = [(2.0 * second + 0.5, [20 * US] * 10 ** min(second, 3)) for second in range(5)]
    rows = fed(chunks).rows(60, 2, 8)[3:]
    assert [row.plain[:MARGIN].strip() for row in rows] == ["0:02", "0:04", "0:06", "0:08", "0:10"]
    levels = [max(SHADES.index(cell) for cell in cells(row)) for row in rows]
    assert levels == sorted(levels)
    assert (levels[0], levels[-1]) == (1, 4)


def test_a_long_run_keeps_its_last_minutes_in_the_rows_there_are() -> None:
    rows = fed([(2.0 * number, [20 * US]) for number in range(1000)]).rows(60, 2, 10)[3:]
    assert len(rows) == 10
    # 150 slices of 2 s are kept: from 28:20 on.
    assert rows[0].plain.strip().startswith("28:50")
    assert rows[-1].plain.strip().startswith("33:20")


def test_buckets_are_fine_enough_for_every_column() -> None:
    picture = fed([(0.0, [20_000, 20_001])])
    columns = picture._columns(np.flatnonzero(picture._counts), 70)
    assert columns.span >= 70
    assert bucket_of(np.array([2**10, 2**11])).tolist() == [10 * PER_OCTAVE, 11 * PER_OCTAVE]


@pytest.mark.parametrize(("seconds", "words"), [(0, "0:00"), (62.9, "1:02"), (3600, "1:00:00"), (7325, "2:02:05")])
def test_clock(seconds: float, words: str) -> None:
    assert clock(seconds) == words


def test_plain_terminals_get_ascii() -> None:
    rows = fed([(1.0, [50 * US] * 9 + [3 * MS])], 2 * MS).rows(80, 3, 3, plain=True)
    assert all(row.plain.replace("µ", "u").isascii() for row in rows)


def test_counts_of_several_batches_add_up() -> None:
    rows = fed([(0.5, [20 * US] * 3), (0.9, [20 * US] * 4), (2.5, [20 * US] * 5)]).rows(60, 3, 3)
    assert rows[0].plain[:MARGIN].strip() == "12", "the most in one column"
