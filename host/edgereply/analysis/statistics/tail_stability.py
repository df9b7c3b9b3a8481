"""Whether the shape of a tail depends on the threshold it is fitted above: then it must not be trusted further out.

Source: Coles, S. (2001), An Introduction to Statistical Modeling of Extreme Values, chapter 4.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Floats
from edgereply.analysis.statistics.extreme_fits import GparetoFit, fit_gpareto

# Shares of the excesses kept by the higher thresholds that the shape must not depend on.
_HIGHER = (0.7, 0.5, 0.3)
_UNSTABLE_ABOVE = 3.0
_FEWEST_ABOVE = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class ThresholdFit:
    """The shape at one threshold of the stability check."""

    threshold_ns: int
    excesses: int
    shape: float
    shape_error: float


def shapes_above(excess: Floats, threshold_ns: int) -> tuple[ThresholdFit, ...]:
    """Fit the excesses again above higher thresholds, as many as leave enough of them.

    Args:
        excess: shape (n,), nanoseconds above the threshold.
        threshold_ns: the lowest threshold.
    """
    found = []
    for share in _HIGHER:
        # A threshold between two values keeps every excess positive.
        higher = float(np.quantile(excess, 1.0 - share))
        above = excess[excess > higher] - higher
        if above.size >= _FEWEST_ABOVE:
            fit = fit_gpareto(above)
            found.append(
                ThresholdFit(
                    threshold_ns=threshold_ns + int(higher),
                    excesses=fit.count,
                    shape=fit.shape,
                    shape_error=float(np.sqrt(fit.covariance[1, 1])),
                )
            )
    return tuple(found)


def instability(fit: GparetoFit, stability: tuple[ThresholdFit, ...]) -> str | None:
    """Why the shape depends on the threshold, as a sentence; None where it does not.

    Hausman's comparison: a fit to part of the sample differs by the difference of the variances.

    The variances are the expected ones, (1 + shape) ** 2 / n (Coles 2001, section 4.3.2), since the
    observed ones of small samples scatter as much as the shapes they are to judge.
    """
    for other in stability:
        error = (1.0 + max(fit.shape, -0.5)) * math.sqrt(1.0 / other.excesses - 1.0 / fit.count)
        if abs(other.shape - fit.shape) > _UNSTABLE_ABOVE * error:
            return (
                f"The shape depends on the threshold: {fit.shape:.2f} here, {other.shape:.2f} above "
                f"{other.threshold_ns} ns, so the model cannot be trusted further out."
            )
    return None
