import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from edgereply.analysis.arrays.histogram import histogram, log_edges, nice_width

samples = hnp.arrays(
    np.int64,
    st.integers(0, 80),
    elements=st.one_of(st.integers(-(10**12), 10**12), st.integers(1, 30), st.integers(10**9, 10**9 + 5)),
)


@given(samples, st.integers(1, 100))
def test_every_value_is_counted_once_as_numpy_counts_it(values: np.ndarray, bins: int) -> None:
    found = histogram(values, bins)
    assert found.counts.sum() == values.size
    assert found.edges_ns.dtype == found.counts.dtype == np.int64
    assert all(a < b for a, b in itertools.pairwise(found.edges_ns.tolist()))
    assert found.counts.size == max(0, found.edges_ns.size - 1)
    assert found.counts.size <= bins + 2
    if values.size:
        assert found.edges_ns[0] <= values.min()
        assert values.max() < found.edges_ns[-1]
        # Reference library: numpy.histogram on the same edges (its last bin is closed, ours is never used).
        assert np.array_equal(found.counts, np.histogram(values, found.edges_ns)[0])


@given(samples.map(lambda v: np.abs(v) + 1), st.integers(1, 100))
def test_log_bins_count_as_numpy_does(values: np.ndarray, bins: int) -> None:
    found = histogram(values, bins, scale="log")
    assert found.counts.sum() == values.size
    if values.size:
        assert np.array_equal(found.counts, np.histogram(values, found.edges_ns)[0])


def test_all_equal_values_fall_into_one_bin() -> None:
    found = histogram(np.full(1000, 63_250))
    assert found.counts.tolist() == [1000]
    assert found.edges_ns.tolist() == [63_250, 63_251]
    log = histogram(np.full(1000, 63_250), scale="log")
    assert log.counts.tolist() == [1000]


def test_an_empty_sample_has_no_bins() -> None:
    found = histogram(np.empty(0, dtype=np.int64))
    assert found.edges_ns.size == found.counts.size == 0


@pytest.mark.parametrize(
    ("span", "bins", "width"),
    [
        (1, 60, 1),
        (60, 60, 1),
        (61, 60, 2),
        (120, 60, 2),
        (121, 60, 5),
        (301, 60, 10),
        (599, 60, 10),
        (10**9, 50, 20_000_000),
    ],
)
def test_nice_widths(span: int, bins: int, width: int) -> None:
    assert nice_width(span, bins) == width


def test_linear_edges_are_multiples_of_their_width() -> None:
    found = histogram(np.array([63_187, 71_999, 80_001]), bins=20)
    width = int(found.edges_ns[1] - found.edges_ns[0])
    assert width == 1000
    assert np.all(found.edges_ns % width == 0)


def test_log_edges_have_equal_ratios() -> None:
    edges = log_edges(1000, 1_000_000, 30)
    assert edges[0] == 1000
    assert edges[-1] == 1_000_001
    assert edges[1:] / edges[:-1] == pytest.approx(10 ** (3 / 30), rel=1e-3)


def test_auto_takes_log_bins_only_for_long_tails() -> None:
    assert histogram(np.array([100, 1999])).scale == "linear"
    assert histogram(np.array([100, 2000])).scale == "log"
    assert histogram(np.array([-100, 2000])).scale == "linear"


def test_impossible_requests_are_refused() -> None:
    with pytest.raises(ValueError, match="positive"):
        histogram(np.array([0, 5]), scale="log")
    with pytest.raises(ValueError, match="at least one bin"):
        histogram(np.array([0, 5]), bins=0)
