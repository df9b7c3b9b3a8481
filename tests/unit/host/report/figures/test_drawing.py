import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from edgereply.report.figures.drawing import Axis, Flag, flag_rows, steps

AXIS = Axis(low=1.0, high=1000.0, log=True)
PLACES = st.lists(st.tuples(st.floats(1.0, 1000.0), st.integers(1, 18)), min_size=1, max_size=5)


def test_a_place_on_an_axis() -> None:
    assert AXIS.share(1.0) == 0.0
    assert AXIS.share(31.6227766) == pytest.approx(0.5)
    assert Axis(low=-2.0, high=2.0).share(0.0) == 0.5


@given(PLACES, st.integers(80, 120))
@example(places=[(32.0, 1), (1.0, 16)], characters=60)
@example(places=[(20.0, 18), (50.0, 18)], characters=60)
def test_words_of_flags_neither_overlap_nor_cross_a_line(places: list[tuple[float, int]], characters: int) -> None:
    flags = [Flag(at=at, text="x" * length) for at, length in places]
    rows = flag_rows(flags, AXIS, characters)
    spans = []
    for flag, (row, side) in zip(flags, rows, strict=True):
        at, wide = AXIS.share(flag.at), len(flag.text) / characters
        spans.append((row, at, *((at, at + wide) if side == "right" else (at - wide, at))))
        assert row >= 0
        # Words stand towards the middle, or outwards where they stay within the panel.
        assert side == ("right" if at < 0.5 else "left") or 0.0 <= spans[-1][2] <= spans[-1][3] <= 1.0
    for i, (row, at, low, high) in enumerate(spans):
        for other, there, left, right in spans[i + 1 :]:
            assert row != other or high <= left or right <= low
            assert not (low < there < high and other > row), "a line crosses words"
            assert not (left < at < right and row > other), "a line crosses words"


def test_words_are_turned_outwards_only_where_they_must() -> None:
    def sides(*flags: Flag) -> list[str]:
        return [side for _, side in flag_rows(flags, AXIS, 60)]

    assert sides(Flag(at=5.0, text="best"), Flag(at=200.0, text="worst")) == ["right", "left"]
    # Each would reach over the other's line.
    assert sides(Flag(at=20.0, text="x" * 18), Flag(at=50.0, text="x" * 18)).count("right") != 1


def test_flags_far_apart_share_a_row() -> None:
    assert [row for row, _ in flag_rows([Flag(at=2.0, text="best"), Flag(at=500.0, text="worst")], AXIS, 80)] == [0, 0]


def test_steps_have_both_ends_of_each() -> None:
    x, y = steps(np.array([0.0, 1.0, 3.0]), np.array([5.0, 2.0]), 0.5)
    assert x.tolist() == [0, 0, 1, 1, 3, 3]
    assert y.tolist() == [0.5, 5, 5, 2, 2, 0.5]
