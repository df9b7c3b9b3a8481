"""Figures beside the standard ones."""

import numpy as np
import pytest
from scipy import stats

from edgereply.analysis.statistics.further import FURTHER, further, interquartile_range


@pytest.mark.parametrize("seed", range(5))
def test_interquartile_range_agrees_with_scipy(seed: int) -> None:
    values = np.random.default_rng(seed).gamma(2.0, 10_000.0, 1_000 + seed).astype(np.int64)
    assert interquartile_range(values) == stats.iqr(values, interpolation="inverted_cdf")


def test_too_few_values_carry_none() -> None:
    assert interquartile_range(np.array([1, 2, 3], np.int64)) is None
    assert interquartile_range(np.array([4, 1, 3, 2], np.int64)) == 2


def test_every_name_has_its_unit_and_every_row_its_words() -> None:
    assert all(name.endswith("_ns") and row.label for name, row in FURTHER.items())
    assert dict(further(np.arange(1_000, dtype=np.int64))) == {"interquartile_range_ns": 500}
