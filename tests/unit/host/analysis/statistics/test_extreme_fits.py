from pathlib import Path

import numpy as np
import pytest
from openturns.usecases import coles
from scipy import stats

from edgereply.analysis.statistics.extreme_fits import fit_gpareto, gpareto_survival

DATA = Path(__file__).parents[4] / "reference_data"


def test_gpareto_of_daily_rain() -> None:
    # Coles (2001), section 4.4.1 (from memory, data from openturns): threshold 30 mm, 152 exceedances,
    # scale 7.44, shape .184, covariance [.9188 -.0655; -.0655 .0102], log-likelihood -485.1, 100-year level 106.3.
    rain = np.array(coles.Coles().rain)[:, 0]
    fit = fit_gpareto(rain[rain > 30] - 30)
    assert fit.count == 152
    assert (fit.scale, fit.shape) == pytest.approx((7.4403, 0.1845), abs=5e-5)
    assert fit.log_likelihood == pytest.approx(-485.09, abs=5e-3)
    assert fit.covariance.ravel() == pytest.approx([0.9188, -0.0655, -0.0655, 0.0102], abs=5e-5)
    rate = 152 / rain.size
    hundred_years = 100 * 365.25
    level = 30 + fit.scale / fit.shape * ((hundred_years * rate) ** fit.shape - 1)
    assert level == pytest.approx(106.33, abs=0.05)
    assert rate * fit.survival(np.array([level - 30]))[0] == pytest.approx(1 / hundred_years)


@pytest.mark.parametrize(
    ("threshold", "count", "shape", "scale"), [(10, 109, 0.49699, 6.9755), (20, 36, 0.6842, 9.635)]
)
def test_gpareto_of_danish_fire_losses(threshold: float, count: int, shape: float, scale: float) -> None:
    # McNeil (1997), ASTIN Bulletin 27, 117-137; R package evir on the same data.
    losses = np.loadtxt(DATA / "danish_fire_losses_over_10.csv", skiprows=4)
    fit = fit_gpareto(losses[losses > threshold] - threshold)
    assert fit.count == count
    assert fit.shape == pytest.approx(shape, abs=1e-4)
    assert fit.scale == pytest.approx(scale, abs=2e-3)
    if threshold == 10:
        assert np.sqrt(np.diag(fit.covariance)) == pytest.approx([1.113, 0.136], abs=5e-4)


@pytest.mark.parametrize("shape", [-0.4, -0.05, 0.0, 0.3, 1.2])
def test_survival_agrees_with_scipy(shape: float) -> None:
    x = np.linspace(0.0, 9.0, 40)
    # Reference library: scipy's genpareto takes c = shape.
    assert gpareto_survival(x, 2.0, shape) == pytest.approx(stats.genpareto.sf(x, shape, 0, 2.0), abs=1e-12)


@pytest.mark.parametrize("shape", [-0.3, 0.0, 0.5])
def test_fits_recover_what_was_drawn(shape: float) -> None:
    rng = np.random.default_rng(1)
    excess = stats.genpareto.rvs(shape, scale=5000, size=5000, random_state=rng)
    found = fit_gpareto(excess)
    assert (found.shape, found.scale / 5000) == pytest.approx((shape, 1.0), abs=0.08)


def test_the_unit_does_not_matter() -> None:
    excess = stats.genpareto.rvs(0.2, size=300, random_state=2)
    small, large = fit_gpareto(excess), fit_gpareto(excess * 1e6)
    assert large.shape == pytest.approx(small.shape, abs=1e-6)
    assert large.scale == pytest.approx(1e6 * small.scale, rel=1e-6)
    assert large.log_likelihood == pytest.approx(small.log_likelihood - 300 * np.log(1e6))


def test_too_little_is_refused() -> None:
    with pytest.raises(ValueError, match="at least 10"):
        fit_gpareto(np.ones(9))
    with pytest.raises(ValueError, match="positive"):
        fit_gpareto(np.arange(20.0))
