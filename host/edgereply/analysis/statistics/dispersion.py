"""Whether stretches of a run differ in level by more than chance: clustering that no single lag shows."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from edgereply.analysis.arrays.aliases import Floats, Int64s
from edgereply.analysis.arrays.distributions import f_sf

# Clusters are looked for in this many equal stretches of the run, each number by itself:
# bursts stand out where a stretch is about as long as they are.
SCALES = (30, 100, 300)
STRETCHES = 100
# Of 30 stretches, three next to each other are so by chance in 28 of 4,060 cases, two in one of 15.
_FEWEST_ON_A_SIDE = 3
# The normal deviate that one run in a thousand passes: intervals are too often asked for to be refused more often.
_ORDERLY = 3.09


def dispersion_test(values: Floats, stretches: int = STRETCHES) -> float:
    """Chance that stretches of the run differ so much in level, were the values independent.

    Args:
        values: shape (n,), in order of time.
        stretches: number of equal stretches, at most a fifth of n.

    Returns:
        Upper tail probability of the one-way analysis of variance between stretches; 1 for
        samples below 20 or without spread.
    """
    bounds = stretch_bounds(values.size, stretches)
    if bounds is None:
        return 1.0
    sizes = np.diff(bounds)
    centre = float(values.mean())
    means = np.add.reduceat(values, bounds[:-1]) / sizes - centre
    return dispersion_p(sizes, means, float(np.dot(values, values)) - values.size * centre**2)


def worst_dispersion(count: int, test: Callable[[int], float]) -> float:
    """Chance of the most telling of several numbers of stretches, times how many were looked at (Bonferroni).

    Args:
        count: sample size.
        test: chance at a number of stretches.
    """
    numbers = {min(stretches, count // 5) for stretches in SCALES}
    return min(1.0, len(numbers) * min(test(stretches) for stretches in numbers))


def stretch_bounds(count: int, stretches: int = STRETCHES) -> Int64s | None:
    """Edges of equal stretches of a run; None where it is too short for four."""
    stretches = min(stretches, count // 5)
    return None if stretches < 4 else np.linspace(0, count, stretches + 1).astype(np.int64)


def dispersion_p(sizes: Int64s, means: Floats, squares: float) -> float:
    """Upper tail probability of the one-way analysis of variance.

    Args:
        sizes: values in each stretch.
        means: of each stretch, less the mean of all.
        squares: sum of the squares of all values about their mean.
    """
    between = float((sizes * means**2).sum())
    within = squares - between
    if within < 1e-9 * between:
        within = 0.0
    if within <= 0.0:
        return 1.0 if between == 0.0 else 0.0
    freedom = int(sizes.sum()) - sizes.size
    ratio = (between / (sizes.size - 1)) / (within / freedom)
    return f_sf(ratio, sizes.size - 1, freedom)


def long_visits(sums: Floats) -> int | None:
    """Visits to a state that outlasts a stretch: how often the sums of equal stretches rise above their mean.

    A block must be longer than what disturbs the run, and blocks must be many. Where a disturbance lasts a good part of
    the run, both cannot be; this sees it by stretches above and below the mean that follow each other too orderly
    (test of runs: Wald, A. and Wolfowitz, J. 1940, Annals of Mathematical Statistics 11, 147-162).

    Args:
        sums: shape (n,), of the values in each of some 30 equal stretches, in order of time.

    Returns:
        Runs above the mean; None where they are as many as chance makes, or where too few stretches are on either side
        to say.
    """
    above = sums > sums.mean()
    many, few = int(np.count_nonzero(above)), int(np.count_nonzero(~above))
    if min(many, few) < _FEWEST_ON_A_SIDE:
        return None
    expected = 2.0 * many * few / above.size + 1.0
    error = math.sqrt((expected - 1.0) * (expected - 2.0) / (above.size - 1))
    runs = 1 + int(np.count_nonzero(above[1:] != above[:-1]))
    if (runs - expected) / error > -_ORDERLY:
        return None
    return int(np.count_nonzero(above[1:] & ~above[:-1])) + int(above[0])
