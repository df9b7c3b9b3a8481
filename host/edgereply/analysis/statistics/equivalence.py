"""Same, different or not to be told: two quantiles against a margin that counts.

A difference can be sure and too small to matter, or large and far from sure. So a pair is judged by the interval of the
ratio of its quantiles, held against a margin chosen beforehand: all of the interval within the margin is "same", all of
it beyond is "different", anything else is "cannot tell". "Same" is Schuirmann's two one-sided tests, each at half of
1 - confidence; being wrong takes an interval that misses the true ratio, so each word errs no more often than that.

Ratios are taken as differences of logarithms: a quantile's interval keeps its coverage under any rising function, and
the margin is the same whichever side is named first (5 % more is as far as 4.76 % less).

Sources: Schuirmann, D. J. (1987), Journal of Pharmacokinetics and Biopharmaceutics 15, 657-680 (two one-sided tests);
Zou, G. Y. and Donner, A. (2008), Statistics in Medicine 27, 1693-1702 (the interval of a difference from the intervals
of its two terms, which need not be symmetric); Hartigan, J. A. (1969), Journal of the American Statistical Association
64, 1303-1317 (the centre of symmetric values lies between two neighbouring means of subsets with equal chances).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final, Literal

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Floats
from edgereply.analysis.arrays.distributions import student_isf

Outcome = Literal["same", "different", "cannot tell"]

MATTERS: Final = 0.05
# All subsets of 12 rounds are 4,095 means, enough for any interval asked for here; more rounds take as many at random.
_MOST_EXACT: Final = 12
_DRAWS: Final = 65_536
_ROUNDING: Final = 1e-9


@dataclass(frozen=True, slots=True)
class Ratio:
    """How many times as long one thing takes as another.

    Attributes:
        value: the estimate.
        low, high: its interval; None where there is none.
    """

    value: float
    low: float | None = None
    high: float | None = None

    @property
    def change(self) -> float:
        """By what part of the quicker one the slower takes longer; negative where the second is the quicker one.

        So 5 % either way is the same distance, and every end of an interval can be held against the margin.
        """
        return self.value - 1.0 if self.value >= 1.0 else 1.0 - 1.0 / self.value

    def inverse(self) -> Ratio:
        """The same with first and second changed over."""
        ends = (None, None) if self.low is None or self.high is None else (1.0 / self.high, 1.0 / self.low)
        return Ratio(1.0 / self.value, *ends)

    def outcome(self, matters: float) -> Outcome:
        """What may be said of it.

        Args:
            matters: the smallest change that counts, a part of the whole: 0.05 is five per cent. At 0 any difference
                counts, and nothing is the same.
        """
        if self.low is None or self.high is None:
            return "cannot tell"
        # An end that lies on the margin but for rounding is on neither side of it; clocks with coarse ticks have such.
        limit = math.log1p(matters)
        low, high = math.log(max(self.low, 1e-300)), math.log(max(self.high, 1e-300))
        if max(high, -low) < limit - _ROUNDING:
            return "same"
        return "different" if max(low, -high) > limit + _ROUNDING else "cannot tell"


@dataclass(frozen=True, slots=True)
class LogQuantile:
    """The logarithm of a quantile, and how far its interval reaches from there on either side."""

    value: float
    below: float
    above: float


def log_quantile(value_ns: float, low_ns: float, high_ns: float) -> LogQuantile:
    """A quantile and its interval on the scale of ratios; times below a nanosecond count as one."""
    value, low, high = (math.log(max(1.0, one)) for one in (value_ns, low_ns, high_ns))
    return LogQuantile(value, value - low, high - value)


def ratio_of_quantiles(
    first: Sequence[LogQuantile], second: Sequence[LogQuantile], sittings: Sittings | None = None,
    confidence: float = 0.95,
) -> Ratio:  # fmt: skip
    """Ratio of two quantiles, each measured in one sitting or in several.

    Args:
        first, second: the quantile in each sitting, at least one.
        sittings: what lies between sittings, where it is known; its interval is taken where it is the wider one.
        confidence: of the interval, and of those of the quantiles.

    Returns:
        Second over first, means of the logarithms where there are several sittings.
    """
    step = _mean(second) - _mean(first)
    down = math.hypot(_spread([one.below for one in second]), _spread([one.above for one in first]))
    up = math.hypot(_spread([one.above for one in second]), _spread([one.below for one in first]))
    if sittings is not None:
        reach = student_isf((1.0 - confidence) / 2.0, sittings.freedom)
        reach *= sittings.std * math.sqrt(1.0 / len(first) + 1.0 / len(second))
        down, up = max(down, reach), max(up, reach)
    return Ratio(math.exp(step), math.exp(step - down), math.exp(step + up))


@dataclass(frozen=True, slots=True)
class Sittings:
    """What lies between sittings of one setup.

    Attributes:
        std: standard deviation of the logarithm from sitting to sitting, what chance adds within each included: about
            the part of the whole by which two sittings differ.
        freedom: degrees of freedom it rests on.
    """

    std: float
    freedom: int


def between_sittings(setups: Sequence[Sequence[float]]) -> Sittings | None:
    """Estimate it from setups measured in more than one sitting each.

    Args:
        setups: logarithms of one quantile, one a sitting.

    Returns:
        The pooled estimate; None where no setup has two sittings.
    """
    freedom = sum(len(values) - 1 for values in setups if values)
    if freedom < 1:
        return None
    squares = sum(float(np.square(np.asarray(values) - np.mean(values)).sum()) for values in setups if values)
    return Sittings(math.sqrt(squares / freedom), freedom)


def ratio_of_rounds(logarithms: Floats, confidence: float = 0.95) -> Ratio:
    """Ratio of two conditions measured in turns, from their ratio in each round.

    Whatever moves both conditions of a round alike falls out. The interval is exact for differences that are symmetric
    about their centre, whatever their shape: it holds the ratios that a sign-flip test would not reject.

    Args:
        logarithms: shape (rounds,), of second over first in each round, at least one.
        confidence: of the interval.

    Returns:
        exp of the mean; without an interval where the rounds are too few (6 at 95 %).
    """
    value = math.exp(float(logarithms.mean()))
    means = np.sort(_subset_means(logarithms))
    # Between neighbours, below the first and above the last, the centre lies with the same chance.
    left_out = int((1.0 - confidence) / 2.0 * (means.size + 1) * (1.0 + 1e-12))
    if left_out < 1:
        return Ratio(value)
    return Ratio(value, math.exp(float(means[left_out - 1])), math.exp(float(means[-left_out])))


def _subset_means(values: Floats) -> Floats:
    """Means of all subsets that are not empty, or of as many drawn ones as say the same."""
    chosen = _subsets(values.size)
    means: Floats = (chosen @ values) / chosen.sum(axis=1)
    return means


@lru_cache(maxsize=4)
def _subsets(count: int) -> Bools:
    """Shape (subsets, count)."""
    if count <= _MOST_EXACT:
        return (np.arange(1, 1 << count)[:, None] >> np.arange(count) & 1).astype(np.bool_)
    drawn = np.random.default_rng(0).random((_DRAWS, count)) < 0.5
    drawn = drawn[drawn.any(axis=1)]
    return np.asarray(drawn, np.bool_)


def _mean(sittings: Sequence[LogQuantile]) -> float:
    return sum(item.value for item in sittings) / len(sittings)


def _spread(widths: Sequence[float]) -> float:
    """Half width of the mean of independent values, from half widths of each."""
    return math.hypot(*widths) / len(widths)
