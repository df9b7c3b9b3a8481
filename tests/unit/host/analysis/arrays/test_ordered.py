"""numpy's sort and median, and scipy's ranks, are the references: they are defined on the sorted array itself."""

import numpy as np
import pytest
from numpy.typing import NDArray

from edgereply.analysis.arrays import ordered as module
from edgereply.analysis.arrays.ordered import Ordered, ordered


def sample(kind: str) -> NDArray[np.int64]:
    rng = np.random.default_rng(3)
    return {
        "usual": (8_000 + rng.gamma(2.0, 500.0, 5_000)).astype(np.int64),
        "with a far tail": np.concatenate([rng.integers(-50, 3_000, 4_000), rng.integers(10**6, 10**12, 50)]),
        "sparse": rng.integers(-(10**15), 10**15, 700),
        "all alike": np.full(9, -4),
        "one": np.array([7]),
    }[kind]


@pytest.fixture(params=["usual", "with a far tail", "sparse", "all alike", "one"])
def values(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> NDArray[np.int64]:
    monkeypatch.setattr(module, "CHUNK", 512)
    monkeypatch.setattr(module, "MOST_COUNTED", 4_096)
    return sample(str(request.param))


def agrees(found: Ordered, expected: NDArray[np.int64]) -> None:
    assert found.size == expected.size
    np.testing.assert_array_equal(found.at(np.arange(expected.size)), expected)
    edges = np.unique(np.concatenate([expected, expected + 1, [expected[0] - 10**9, expected[-1] + 10**9]]))
    np.testing.assert_array_equal(found.below(edges), np.searchsorted(expected, edges, side="left"))
    assert found.median() == float(np.median(expected))


def test_places_and_counts_are_those_of_the_sorted_values(values: NDArray[np.int64]) -> None:
    before = values.copy()
    agrees(ordered(values), np.sort(values))
    np.testing.assert_array_equal(values, before)


def test_only_the_chosen_count_and_columns_are_added(values: NDArray[np.int64]) -> None:
    chosen = np.arange(values.size) % 3 != 1
    agrees(ordered(values, chosen, values % 1_000), np.sort((values + values % 1_000)[chosen]))


def test_nothing_is_in_order() -> None:
    found = ordered(np.empty(0, np.int64))
    assert found.size == 0
    assert found.below(np.array([-5, 0, 5])).tolist() == [0, 0, 0]
    assert ordered(np.array([3, 4]), np.zeros(2, np.bool_)).size == 0


def test_a_table_is_made_only_where_it_is_filled() -> None:
    assert ordered(sample("usual")).beyond.size == 0
    assert ordered(sample("sparse")).upto.size == 1
