import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from edgereply.analysis.statistics.letters import letter_groups, letters


@given(st.integers(1, 8), st.data())
def test_two_share_a_letter_exactly_where_they_are_not_different(count: int, data: st.DataObject) -> None:
    different = np.zeros((count, count), bool)
    for i in range(count):
        for j in range(i):
            different[i, j] = different[j, i] = data.draw(st.booleans())
    groups = letter_groups(different)
    assert groups is not None
    for i in range(count):
        assert groups[i]
        for j in range(i):
            assert bool(set(groups[i]) & set(groups[j])) != different[i, j]
    # No group is part of another one: each says something.
    members = [{n for n in range(count) if g in groups[n]} for g in range(1 + max(map(max, groups)))]
    assert not any(a <= b for a in members for b in members if a is not b)


def test_a_worked_example() -> None:
    # Treatments with overlapping groups: first and last differ only, hence a, ab, b.
    different = np.zeros((3, 3), bool)
    different[0, 2] = different[2, 0] = True
    assert letter_groups(different) == [(0,), (0, 1), (1,)]


def test_too_many_groups_are_not_written_out() -> None:
    # Pairs that differ within, and from nobody else: 2 ** 10 largest groups of undifferent ones.
    different = np.zeros((20, 20), bool)
    for n in range(0, 20, 2):
        different[n, n + 1] = different[n + 1, n] = True
    assert letter_groups(different) is None


def test_nobody_and_words() -> None:
    assert letter_groups(np.zeros((0, 0), bool)) == []
    assert letters((0, 1)) == "ab"
    assert letters((0,), first=2) == "c"
    assert letters((25, 26)) == "z a2"
    assert letters(()) == ""


def test_many_members_on_the_way_to_few_groups_are_written_out() -> None:
    # Two hundred in a row of which each differs from all but its neighbours: as many groups as there are neighbours.
    place = np.arange(200)
    groups = letter_groups(np.abs(place[:, None] - place) > 1)
    assert groups is not None
    assert groups[0] == (0,)
    assert groups[100] == (99, 100)
