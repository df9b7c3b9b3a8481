import functools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from numpy.typing import NDArray

from edgereply.analysis.arrays.quantiles import quantiles
from edgereply.analysis.statistics.sketch import Sketch, merge, sketch
from edgereply.analysis.statistics.summary import mean_and_std

values_of_any_size = hnp.arrays(
    np.int64,
    st.integers(1, 80),
    elements=st.one_of(st.integers(-(2**53) + 1, 2**53 - 1), st.integers(-5000, 5000), st.integers(0, 10**7)),
)


@given(values_of_any_size, st.integers(4, 20), st.integers(0, 100))
def test_quantiles_stay_within_the_stated_error(values: NDArray[np.int64], bits: int, percent: int) -> None:
    found = sketch(values, bits)
    exact = int(quantiles(values, [percent / 100])[0])
    assert abs(found.quantile(percent / 100) - exact) * 2**bits <= abs(exact)


@given(st.lists(values_of_any_size, min_size=1, max_size=5))
def test_merging_blocks_is_counting_at_once(blocks: list[NDArray[np.int64]]) -> None:
    merged = functools.reduce(merge, [sketch(block) for block in reversed(blocks)], Sketch())
    whole = sketch(np.concatenate(blocks))
    assert np.array_equal(merged.keys, whole.keys)
    assert np.array_equal(merged.counts, whole.counts)
    assert (merged.total, merged.squares, merged.min_ns, merged.max_ns) == (
        whole.total,
        whole.squares,
        whole.min_ns,
        whole.max_ns,
    )


@given(values_of_any_size)
def test_sums_are_exact(values: NDArray[np.int64]) -> None:
    found = sketch(values)
    assert found.count == values.size
    assert found.total == sum(values.tolist())
    assert found.squares == sum(v * v for v in values.tolist())


def test_mean_and_standard_deviation_are_those_of_the_whole_sample() -> None:
    # NIST StRD NumAcc4 in tenths, split over two blocks: mean 10000000.2, sd .1.
    values = np.array([100_000_002, *[100_000_001, 100_000_003] * 500], dtype=np.int64)
    found = merge(sketch(values[:300]), sketch(values[300:]))
    assert (found.mean_ns(), found.std_ns()) == (100_000_002.0, 1.0)
    assert (found.mean_ns(), found.std_ns()) == mean_and_std(values)


def test_small_values_are_kept_exactly() -> None:
    assert [sketch(np.arange(4096)).quantile(k / 4096) for k in (1, 2000, 4096)] == [0, 1999, 4095]


def test_an_empty_sketch() -> None:
    empty = sketch(np.empty(0, dtype=np.int64))
    assert empty.count == 0
    assert empty.mean_ns() is None
    assert empty.std_ns() is None
    assert sketch(np.array([5])).std_ns() is None
    with pytest.raises(ValueError, match="empty"):
        empty.quantile(0.5)


def test_the_size_is_bounded_by_the_bits() -> None:
    values = np.random.default_rng(1).integers(1, 2**40, 200_000)
    assert sketch(values, 8).keys.size <= 40 * 2**7
    assert sketch(values, 8).relative_error == 1 / 256


def test_what_does_not_fit_is_refused() -> None:
    with pytest.raises(ValueError, match="do not merge"):
        merge(sketch(np.array([1]), 8), sketch(np.array([1]), 9))
    with pytest.raises(ValueError, match="4 to 20"):
        sketch(np.array([1]), 3)
    with pytest.raises(ValueError, match="below"):
        sketch(np.array([2**53]))


@pytest.mark.parametrize("values", [[5, 5, 7], [-3, 0, 1 << 52], list(range(-4000, 90_000, 7))])
def test_keys_are_counted_as_sorting_them_counts(values: list[int]) -> None:
    found = sketch(np.array(values, np.int64), 20)
    singly = functools.reduce(merge, (sketch(np.array([value], np.int64), 20) for value in values[:500]))
    if len(values) <= 500:
        assert (found.keys.tolist(), found.counts.tolist()) == (singly.keys.tolist(), singly.counts.tolist())
    # At 20 bits all of these but one are kept as they are.
    expected = {min(value, 33 << 20 | 1 << 19): values.count(value) for value in set(values)}
    assert dict(zip(found.keys.tolist(), found.counts.tolist(), strict=True)) == expected
    assert found.counts.dtype == np.int64
