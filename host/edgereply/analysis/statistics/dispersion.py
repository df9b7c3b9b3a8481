"""Whether stretches of a run differ in level by more than chance: clustering that no single lag shows."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from edgereply.analysis.arrays.aliases import Floats, Int64s
from edgereply.analysis.arrays.distributions import f_sf

# Clusters are looked for in this many equal stretches of the run, each number by itself:
# bursts stand out where a stretch is about as long as they are.
SCALES = (30, 100, 300)
STRETCHES = 100


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
