"""Tail probabilities and quantiles of the distributions that tests and intervals need, from `scipy.special`.

`scipy.stats` has the same numbers behind a frame that takes half a second to import and a tenth of a millisecond a
call: more than everything else in many a command. Names are those of `scipy.stats`: `sf` is the upper tail, `ppf` the
quantile of a lower tail and `isf` of an upper one; all are NaN where `scipy.special` has NaN.
"""

from __future__ import annotations

from typing import overload

import numpy as np

from edgereply.analysis.arrays.aliases import Floats
from edgereply.analysis.arrays.compiled import special


def normal_sf(z: float) -> float:
    """P(Z > z) of the standard normal distribution."""
    return float(special.ndtr(-z))


def normal_isf(p: float) -> float:
    """The z that is exceeded with probability p, 0 to 1."""
    return -float(special.ndtri(p))


@overload
def student_sf(t: float, freedom: float) -> float: ...
@overload
def student_sf(t: Floats, freedom: Floats) -> Floats: ...
def student_sf(t: float | Floats, freedom: float | Floats) -> float | Floats:
    """P(T > t) of Student's distribution.

    Args:
        t: a number, or float64 of any shape.
        freedom: degrees of freedom, above 0, not necessarily whole; a number, or of the same shape.
    """
    found: Floats = special.stdtr(freedom, np.negative(t))
    return found if isinstance(found, np.ndarray) else float(found)


def student_isf(p: float, freedom: float) -> float:
    """The t that is exceeded with probability p, 0 to 1; degrees of freedom above 0."""
    return -float(special.stdtrit(freedom, p))


def chi2_ppf(p: float, freedom: float) -> float:
    """The quantile of chi-square with so many degrees of freedom, above 0, below which it lies with probability p."""
    return 2.0 * float(special.gammaincinv(freedom / 2.0, p))


def f_sf(ratio: float, above: float, below: float) -> float:
    """P(F > ratio) of Fisher's distribution.

    Args:
        ratio: at least 0.
        above: degrees of freedom of the numerator, above 0.
        below: of the denominator.
    """
    return float(special.fdtrc(above, below, ratio))


def beta_ppf(p: float, a: float, b: float) -> float:
    """The quantile of the beta distribution with shape a, b above 0 below which it lies with probability p."""
    return float(special.betaincinv(a, b, p))


def beta_isf(p: float, a: float, b: float) -> float:
    """The same above which it lies with probability p, without the cancellation of 1 - p."""
    return float(special.betainccinv(a, b, p))


def binomial_cdf(successes: int, trials: int, p: float) -> float:
    """P(X <= successes) of so many trials, each a success with probability p."""
    if successes < 0:
        return 0.0
    return 1.0 if successes >= trials else float(special.betaincc(successes + 1, trials - successes, p))


def binomial_sf(successes: int, trials: int, p: float) -> float:
    """P(X > successes), without the cancellation of 1 - P(X <= successes)."""
    if successes < 0:
        return 1.0
    return 0.0 if successes >= trials else float(special.betainc(successes + 1, trials - successes, p))


def binomial_near(cdf: float, trials: int, p: float) -> int:
    """A count from 0 to trials at or next to the quantile with that probability below it: where to begin a search."""
    found = float(special.bdtrik(cdf, trials, p))
    return min(trials, max(0, round(found))) if np.isfinite(found) else round(trials * p)
