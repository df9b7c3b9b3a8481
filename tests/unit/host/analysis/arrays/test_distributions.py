"""Every function against the same one of `scipy.stats`, deep into the tails."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from scipy import stats

from edgereply.analysis.arrays.distributions import (
    beta_isf,
    beta_ppf,
    binomial_cdf,
    binomial_near,
    binomial_sf,
    chi2_ppf,
    f_sf,
    normal_isf,
    normal_sf,
    student_isf,
    student_sf,
)

TAILS = (1e-12, 1e-6, 0.001, 0.025, 0.3, 0.5, 0.975)
FREEDOM = (1.0, 2.5, 9.0, 400.0, 1e6)
SHAPES = ((1.5, 3.0), (1.0, 1.0), (12.0, 4_000.0), (25.5, 1e7))
COUNTS = ((10, 0.5), (500, 0.999), (1_000_000, 0.001), (10_000_000, 0.99))


def close(value: float, reference: object, relative: float = 1e-9) -> None:
    assert value == pytest.approx(float(reference), rel=relative, abs=1e-300)  # type: ignore[arg-type]


@pytest.mark.parametrize("p", TAILS)
def test_normal(p: float) -> None:
    close(normal_isf(p), stats.norm.isf(p), 1e-12)
    close(normal_sf(-normal_isf(p)), stats.norm.sf(-stats.norm.isf(p)))


@pytest.mark.parametrize("freedom", FREEDOM)
@pytest.mark.parametrize("p", TAILS)
def test_student(p: float, freedom: float) -> None:
    close(student_isf(p, freedom), stats.t.isf(p, freedom), 1e-8)
    for t in (-3.0, 0.0, 1.5, 40.0):
        close(student_sf(t, freedom), stats.t.sf(t, freedom))


def test_student_of_arrays() -> None:
    t, freedom = np.array([[0.5, 2.0], [-1.0, 30.0]]), np.array([[1.0, 7.0], [80.5, 3.0]])
    np.testing.assert_allclose(student_sf(t, freedom), stats.t.sf(t, freedom), rtol=1e-9)


@pytest.mark.parametrize("freedom", FREEDOM)
@pytest.mark.parametrize("p", TAILS)
def test_chi_square_and_f(p: float, freedom: float) -> None:
    close(chi2_ppf(p, freedom), stats.chi2.ppf(p, freedom), 1e-8)
    for ratio in (0.2, 1.0, 5.0):
        close(f_sf(ratio, freedom, 12.0), stats.f.sf(ratio, freedom, 12.0))


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("p", TAILS)
def test_beta(p: float, shape: tuple[float, float]) -> None:
    close(beta_ppf(p, *shape), stats.beta.ppf(p, *shape), 1e-8)
    close(beta_isf(p, *shape), stats.beta.isf(p, *shape), 1e-8)


@pytest.mark.parametrize("count", COUNTS)
def test_binomial(count: tuple[int, float]) -> None:
    trials, p = count
    for side in (0.025, 0.5, 0.975):
        quantile = int(stats.binom.ppf(side, trials, p))
        assert abs(binomial_near(side, trials, p) - quantile) <= 1
        close(binomial_cdf(quantile, trials, p), stats.binom.cdf(quantile, trials, p), 1e-7)
        close(binomial_sf(quantile, trials, p), stats.binom.sf(quantile, trials, p), 1e-7)
    assert (binomial_cdf(-1, trials, p), binomial_sf(-1, trials, p)) == (0.0, 1.0)
    assert (binomial_cdf(trials, trials, p), binomial_sf(trials, trials, p)) == (1.0, 0.0)


def test_a_comparison_does_without_the_whole_of_scipy_stats() -> None:
    asked = "import sys, edgereply.cli.compare_runs; sys.exit('scipy.stats' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", asked], timeout=60, check=False).returncode == 0
