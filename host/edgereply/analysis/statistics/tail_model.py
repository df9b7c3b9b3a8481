"""How likely is an answer later than any seen: a model, tested before it may speak.

Beyond the largest measured value there is no evidence, only a model. So a tail model is refused
where it does not fit the answers that were measured, or where its shape depends on the threshold;
and it always says that it extrapolates. `verdict` needs none of this.

Source: Coles, S. (2001), An Introduction to Statistical Modeling of Extreme Values, chapters 3 and 4;
goodness of fit by Anderson and Darling's statistic against samples drawn from the fit
(Stute, Gonzalez Manteiga and Presedo Quindimil 1993, Metrika 40, 243-256).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from edgereply.analysis.arrays.aliases import Floats, Int64s
from edgereply.analysis.arrays.quantiles import order_statistics
from edgereply.analysis.statistics.dependence import measure_dependence
from edgereply.analysis.statistics.extreme_fits import (
    GparetoFit,
    fit_gpareto,
    gpareto_survival,
)

KIND: Final = "generalised Pareto over a threshold"

_DRAWS = 199
_REFUSED_BELOW = 0.05
_MOST_EXCESSES = 2000
_FEWEST_EXCESSES = 60
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


@dataclass(frozen=True, slots=True, kw_only=True)
class TailModel:
    """A fitted tail and whether it may be used.

    Attributes:
        refused: why it may not be used, as a sentence; None when it may.
        warnings: sentences to show with any figure taken from it.
        threshold_ns: excesses are counted above this; None where there are too few to choose one.
        fit: parameters and their covariance, nanoseconds; None when there was too little to fit.
        fit_p_value: chance of a fit this bad, were the model true; None when not fitted.
        stability: shapes at higher thresholds.
        exceedance: modelled probability that one answer is later than the deadline; None when refused.
        kind: which model it is.
        exceedance_upper: one-sided upper bound by refitting drawn samples, approximate; None when refused.
    """

    refused: str | None
    warnings: tuple[str, ...]
    threshold_ns: int | None
    fit: GparetoFit | None
    fit_p_value: float | None
    stability: tuple[ThresholdFit, ...]
    exceedance: float | None
    exceedance_upper: float | None
    kind: str = KIND


def model_tail(
    values_ns: Int64s,
    deadline_ns: int,
    share: float = 0.05,
    confidence: float = 0.95,
    seed: int = 0,
) -> TailModel:
    """Model the answers above a threshold and read off the chance of passing a deadline.

    Args:
        values_ns: shape (n,), int64, nanoseconds, in order of time.
        deadline_ns: above the threshold.
        share: of the answers taken as the tail; at most 2,000 answers are.
        confidence: of the upper bound, strictly within 0 to 1.
        seed: seed of the draws.

    Returns:
        See `TailModel`.
    """
    wanted = min(int(share * values_ns.size), _MOST_EXCESSES)
    if wanted < _FEWEST_EXCESSES:
        short = f"{wanted} answers in the tail are too few to fit; it takes {_FEWEST_EXCESSES}."
        return _refusal(short, None)
    threshold = int(order_statistics(values_ns, [values_ns.size - wanted])[0])
    excess = (values_ns[values_ns > threshold] - threshold).astype(np.float64)
    if excess.size < _FEWEST_EXCESSES:
        tied = f"Ties at {threshold} ns leave {excess.size} answers above it; it takes {_FEWEST_EXCESSES}."
        return _refusal(tied, threshold)
    if deadline_ns <= threshold:
        inside = f"The deadline lies below the threshold of {threshold} ns: count late answers instead."
        return _refusal(inside, threshold)
    fit = fit_gpareto(excess)
    rng = np.random.default_rng(seed)
    beyond = np.array([float(deadline_ns - threshold)])

    def draw() -> tuple[float, float]:
        sample = fit.scale * _box_cox(rng.random(excess.size), -fit.shape)
        again = fit_gpareto(np.maximum(sample, 1e-12 * fit.scale))
        rate = rng.beta(excess.size, values_ns.size - excess.size + 1)
        late = float(gpareto_survival(beyond, again.scale, again.shape)[0])
        return _anderson_darling(1.0 - again.survival(sample)), rate * late

    stability = shapes_above(excess, threshold)
    reason = instability(fit, stability)
    late = excess.size / values_ns.size * float(fit.survival(beyond)[0])
    return _judge(
        fit, _anderson_darling(1.0 - fit.survival(excess)), draw, late, confidence, reason,
        _warnings(values_ns, deadline_ns, measure_dependence((values_ns > threshold).astype(np.float64)).dependent),
        threshold, stability,
    )  # fmt: skip


def _judge(
    fit: GparetoFit,
    statistic: float,
    draw: Callable[[], tuple[float, float]],
    late: float,
    confidence: float,
    reason: str | None,
    warnings: tuple[str, ...],
    threshold_ns: int,
    stability: tuple[ThresholdFit, ...],
) -> TailModel:
    drawn = np.array([draw() for _ in range(_DRAWS)])
    p_value = float(1 + np.count_nonzero(drawn[:, 0] >= statistic)) / (_DRAWS + 1)
    if p_value < _REFUSED_BELOW:
        reason = f"The model does not fit the measured tail: a fit this bad has a chance of {p_value:.3f}."
    upper = float(np.quantile(drawn[:, 1], confidence))
    return TailModel(
        refused=reason,
        warnings=warnings,
        threshold_ns=threshold_ns,
        fit=fit,
        fit_p_value=p_value,
        stability=stability,
        exceedance=late if reason is None else None,
        exceedance_upper=max(upper, late) if reason is None else None,
    )


def _warnings(values_ns: Int64s, deadline_ns: int, clustered: bool) -> tuple[str, ...]:
    found = ["This is a model of the tail, not a measurement: it holds only while the board behaves as in this run."]
    if deadline_ns > int(values_ns.max()):
        found.append("It extrapolates: the deadline lies beyond the latest answer measured.")
    if clustered:
        found.append("Late answers cluster, so the bound is too tight.")
    return tuple(found)


def _anderson_darling(probabilities: Floats) -> float:
    u = np.clip(np.sort(probabilities), 1e-12, 1.0 - 1e-12)
    weights = 2.0 * np.arange(1, u.size + 1) - 1.0
    return -u.size - float((weights * (np.log(u) + np.log1p(-u[::-1]))).sum()) / u.size


def _box_cox(values: Floats, exponent: float) -> Floats:
    """(values ** exponent - 1) / -exponent, -log in the limit: excesses are drawn this way."""
    if abs(exponent) < 1e-9:
        return -np.log(values)
    return np.asarray(np.expm1(exponent * np.log(values)) / -exponent, dtype=np.float64)


def _refusal(why: str, threshold_ns: int | None) -> TailModel:
    return TailModel(
        refused=why,
        warnings=(),
        threshold_ns=threshold_ns,
        fit=None,
        fit_p_value=None,
        stability=(),
        exceedance=None,
        exceedance_upper=None,
    )


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
