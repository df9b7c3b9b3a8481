"""Maximum likelihood fit of the distribution that excesses over a high threshold settle into.

Sources: Coles, S. (2001), An Introduction to Statistical Modeling of Extreme Values, chapter 4;
Grimshaw, S. D. (1993), Technometrics 35, 185-191 (one-dimensional search for the generalised Pareto).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy

from edgereply.analysis.arrays.aliases import Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class GparetoFit:
    """Generalised Pareto distribution of excesses over a threshold.

    Attributes:
        count: excesses fitted.
        scale: sigma, in the unit of the excesses.
        shape: xi; negative means that there is a largest possible value.
        log_likelihood: at the fit.
        covariance: shape (2, 2), of scale and shape, from the observed information; NaN where that is singular.
    """

    count: int
    scale: float
    shape: float
    log_likelihood: float
    covariance: Floats

    def survival(self, excess: Floats) -> Floats:
        """P(excess > x)."""
        return gpareto_survival(excess, self.scale, self.shape)


def gpareto_survival(excess: Floats, scale: float, shape: float) -> Floats:
    """P(excess > x) of the generalised Pareto distribution.

    Args:
        excess: any shape, 0 or more.
        scale: sigma, positive.
        shape: xi.

    Returns:
        Probabilities, 0 beyond the end of a bounded tail.
    """
    z = np.maximum(excess, 0.0) / scale
    if abs(shape) < 1e-9:
        return np.exp(-z)
    inside = np.maximum(1.0 + shape * z, 0.0)
    with np.errstate(divide="ignore"):
        result: Floats = np.exp(-np.log(inside) / shape)
    return result


def fit_gpareto(excess: Floats) -> GparetoFit:
    """Fit excesses over a threshold.

    Args:
        excess: shape (n,), positive, any unit.

    Returns:
        The fit, within shape > -1 (below, the likelihood has no maximum).

    Raises:
        ValueError: fewer than 10 excesses, or one that is not positive.
    """
    if excess.size < 10 or not np.all(excess > 0.0):
        raise ValueError(f"a tail fit takes at least 10 positive excesses, got {excess.size}")
    unit = float(excess.mean())
    x = excess / unit
    # theta = shape / scale leaves one unknown: the best shape for it is mean(log(1 + theta x)).
    lowest = -1.0 / float(x.max())
    grid = np.concatenate([lowest * (1.0 - np.logspace(-8, 0, 40)), np.logspace(-4, 3, 60) / float(np.median(x))])
    grid = np.unique(grid[(grid > lowest) & (grid != 0.0)])
    costs = [_profile(theta, x)[0] for theta in grid]
    best = int(np.argmin(costs))
    around = (grid[max(best - 1, 0)], grid[min(best + 1, grid.size - 1)])
    found = scipy.optimize.minimize_scalar(
        lambda theta: _profile(theta, x)[0], bounds=around, method="bounded", options={"xatol": 1e-10}
    )
    theta = float(found.x) if found.fun <= costs[best] else float(grid[best])
    cost, shape, scale = _profile(theta, x)
    if x.size < cost:  # the exponential, theta = 0, whose negative log-likelihood is n here
        cost, shape, scale = float(x.size), 0.0, 1.0

    def negative(parameters: Floats) -> float:
        return _gpareto_cost(x, float(parameters[0]), float(parameters[1]))

    covariance = _covariance(negative, np.array([scale, shape]))
    units = np.array([unit, 1.0])
    return GparetoFit(
        count=int(x.size),
        scale=scale * unit,
        shape=shape,
        log_likelihood=-cost - x.size * math.log(unit),
        covariance=covariance * np.outer(units, units),
    )


def _profile(theta: float, x: Floats) -> tuple[float, float, float]:
    """Negative log-likelihood with the best shape for theta, that shape, and the scale."""
    if theta <= -1.0 / float(x.max()):
        return math.inf, 0.0, 1.0
    if abs(theta) < 1e-12:
        return float(x.size) * (math.log(float(x.mean())) + 1.0), 0.0, float(x.mean())
    shape = float(np.log1p(theta * x).mean())
    if shape <= -1.0 or shape / theta <= 0.0:
        return math.inf, 0.0, 1.0
    scale = shape / theta
    return x.size * (math.log(scale) + 1.0 + shape), shape, scale


def _gpareto_cost(x: Floats, scale: float, shape: float) -> float:
    if scale <= 0.0 or 1.0 + shape * float(x.max()) / scale <= 0.0:
        return math.inf
    if abs(shape) < 1e-9:
        return x.size * math.log(scale) + float(x.sum()) / scale
    return x.size * math.log(scale) + (1.0 + 1.0 / shape) * float(np.log1p(shape * x / scale).sum())


def _covariance(negative: Callable[[Floats], float], at: Floats) -> Floats:
    """Inverse of the second differences of a negative log-likelihood; NaN where there is none."""
    steps = np.maximum(np.abs(at), 0.1) * 1e-4
    size = at.size
    hessian = np.empty((size, size))
    for i in range(size):
        for j in range(size):
            a, b = np.eye(size)[i] * steps[i], np.eye(size)[j] * steps[j]
            hessian[i, j] = (
                negative(at + a + b) - negative(at + a - b) - negative(at - a + b) + negative(at - a - b)
            ) / (4.0 * steps[i] * steps[j])
    if not np.all(np.isfinite(hessian)) or np.any(np.linalg.eigvalsh(hessian) <= 0.0):
        return np.full((size, size), np.nan)
    return np.asarray(np.linalg.inv(hessian), dtype=np.float64)
