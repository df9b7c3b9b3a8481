import numpy as np
import pytest
from scipy import stats

from edgereply.analysis.statistics.dependence import dispersion_test


def test_dispersion_is_the_one_way_analysis_of_variance() -> None:
    values = np.random.default_rng(4).normal(size=200)
    # Reference library: scipy.stats.f_oneway on the same stretches.
    assert dispersion_test(values, 10) == pytest.approx(stats.f_oneway(*values.reshape(10, 20)).pvalue, rel=1e-9)


def test_dispersion_of_degenerate_samples() -> None:
    assert dispersion_test(np.zeros(1000)) == 1.0
    assert dispersion_test(np.arange(10.0)) == 1.0
    assert dispersion_test(np.repeat(np.arange(100.0), 10)) == 0.0
