import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from edgereply.analysis.arrays.quantiles import (
    order_statistics,
    quantile_rank,
    quantiles,
)

# NIST/SEMATECH e-Handbook 7.2.6.2, wire gauge data 95.xxxx, in ten-thousandths.
NIST_7262 = np.array(
    [951772, 951567, 951937, 951959, 951442, 950610, 951591, 951195, 951065, 950925, 951990, 951682],
    dtype=np.int64,
)


def test_the_handbook_data_by_type_1_is_the_eleventh_value() -> None:
    # Hyndman and Fan (1996), type 1: ceil(12 * .9) = 11; numpy calls it inverted_cdf.
    assert quantiles(NIST_7262, [0.90]).tolist() == [951959]


@given(
    hnp.arrays(np.int64, st.integers(1, 60), elements=st.integers(-(2**40), 2**40)),
    st.integers(0, 1000),
)
def test_type_1_is_the_smallest_value_with_enough_at_or_below(values: np.ndarray, thousandths: int) -> None:
    found = quantiles(values, [thousandths / 1000])[0]
    enough = [v for v in np.sort(values) if 1000 * np.count_nonzero(values <= v) >= thousandths * values.size]
    assert found == enough[0]


def test_a_decimal_probability_is_taken_as_written() -> None:
    # 0.07 * 100 is 7.000000000000001 in binary; rank 8 would be wrong.
    assert quantile_rank(100, 0.07) == 7
    assert quantile_rank(1000, 0.999) == 999
    assert quantile_rank(1001, 0.999) == 1000


def test_picking_ranks_leaves_the_sample_as_it_was() -> None:
    before = NIST_7262.copy()
    picked = order_statistics(NIST_7262, [12, 1, 12])
    assert picked.tolist() == [951990, 950610, 951990]
    assert picked.dtype == np.int64
    assert np.array_equal(before, NIST_7262)


def test_the_median_of_an_even_sample_is_a_measured_value() -> None:
    assert quantiles(np.array([10, 1000], dtype=np.int64), [0.5]).tolist() == [10]


@pytest.mark.parametrize("ranks", [[0], [13], [1, 13]])
def test_ranks_outside_the_sample_are_refused(ranks: list[int]) -> None:
    with pytest.raises(ValueError, match="1 to 12"):
        order_statistics(NIST_7262, ranks)


def test_an_empty_sample_has_no_quantile() -> None:
    nothing = np.empty(0, dtype=np.int64)
    with pytest.raises(ValueError, match="empty"):
        quantiles(nothing, [0.5])
    assert order_statistics(nothing, []).size == 0


@pytest.mark.parametrize("p", [-0.1, 1.1, float("nan")])
def test_impossible_probabilities_are_refused(p: float) -> None:
    with pytest.raises(ValueError, match="0 to 1"):
        quantiles(NIST_7262, [p])
