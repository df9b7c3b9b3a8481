import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgereply.report.figures.drawing import Axis, Flag, flag_rows, steps

AXIS = Axis(low=1.0, high=1000.0, log=True)
PLACES = st.lists(st.tuples(st.floats(1.0, 1000.0), st.integers(1, 18)), min_size=1, max_size=5)


def test_a_place_on_an_axis() -> None:
    assert AXIS.share(1.0) == 0.0
    assert AXIS.share(31.6227766) == pytest.approx(0.5)
    assert Axis(low=-2.0, high=2.0).share(0.0) == 0.5


@given(PLACES, st.integers(30, 120))
def test_words_of_flags_neither_overlap_nor_cross_a_line(places: list[tuple[float, int]], characters: int) -> None:
    flags = [Flag(at=at, text="x" * length) for at, length in places]
    rows = flag_rows(flags, AXIS, characters)
    spans = []
    for flag, (row, side) in zip(flags, rows, strict=True):
        at, wide = AXIS.share(flag.at), len(flag.text) / characters
        spans.append((row, at, *((at, at + wide) if side == "right" else (at - wide, at))))
        assert row >= 0
        # Words stand towards the middle, so that they do not leave the panel.
        assert side == ("right" if at < 0.5 else "left")
    for i, (row, at, low, high) in enumerate(spans):
        for other, there, left, right in spans[i + 1 :]:
            assert row != other or high <= left or right <= low
            assert not (low < there < high and other > row), "a line crosses words"
            assert not (left < at < right and row > other), "a line crosses words"


def test_flags_far_apart_share_a_row() -> None:
    assert [row for row, _ in flag_rows([Flag(at=2.0, text="best"), Flag(at=500.0, text="worst")], AXIS, 80)] == [0, 0]


def test_steps_have_both_ends_of_each() -> None:
    x, y = steps(np.array([0.0, 1.0, 3.0]), np.array([5.0, 2.0]), 0.5)
    assert x.tolist() == [0, 0, 1, 1, 3, 3]
    assert y.tolist() == [0.5, 5, 5, 2, 2, 0.5]
