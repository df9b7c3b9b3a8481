"""Several usual reaction times in one run, found and described.

A board can answer fast from one state and slowly from another (idle state left or not, cache warm
or not). Peaks of a smoothed count are candidates; two neighbours stay apart only if the valley
between them holds significantly fewer answers than the lower peak, in windows of equal width.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Floats, Int64s
from edgereply.analysis.arrays.distributions import binomial_cdf
from edgereply.analysis.arrays.quantiles import quantiles

_CELLS = 1024
# Several modes are not told apart in fewer values.
FEWEST = 50
_FEWEST_IN_MODE = 20
_ALPHA = 1e-5
# Shallower valleys are of no consequence to anyone, however significant.
_DEEPEST_VALLEY = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class Mode:
    """One usual reaction time.

    Attributes:
        peak_ns: where answers are densest.
        low_ns: smallest value that belongs to it.
        high_ns: largest value that belongs to it.
        median_ns: median of its values.
        p10_ns: 10 % quantile of its values.
        p90_ns: 90 % quantile of its values.
        share: fraction of all values.
    """

    peak_ns: int
    low_ns: int
    high_ns: int
    median_ns: int
    p10_ns: int
    p90_ns: int
    share: float


def find_modes(values_ns: Int64s) -> tuple[Mode, ...]:
    """Describe the modes of a sample.

    Args:
        values_ns: shape (n,), int64, nanoseconds, any order.

    Returns:
        Modes by rising place; one for samples below 50 values or without a significant valley,
        none for an empty one.
    """
    if values_ns.size == 0:
        return ()
    low, high = int(values_ns.min()), int(values_ns.max())
    if values_ns.size < FEWEST or low == high:
        return (_describe(values_ns, values_ns.size, None),)
    log = low > 0 and high >= 20 * low
    places = np.log(values_ns) if log else values_ns.astype(np.float64)
    counts, edges = np.histogram(places, bins=_CELLS)
    smooth = smoothed(counts.astype(np.float64), _width(places, edges))
    window = max(1, round(_width(places, edges)))
    valleys = _split(counts, smooth, window)
    cuts = edges[[valley + 1 for valley in valleys]]
    number = np.searchsorted(cuts, places, side="right") if valleys else None
    bounds = [0, *[valley + 1 for valley in valleys], _CELLS]
    modes = []
    for i in range(len(valleys) + 1):
        cell = bounds[i] + int(np.argmax(smooth[bounds[i] : bounds[i + 1]]))
        peak = (edges[cell] + edges[cell + 1]) / 2.0
        mine = values_ns if number is None else values_ns[number == i]
        modes.append(_describe(mine, values_ns.size, round(float(np.exp(peak) if log else peak))))
    return tuple(modes)


def _width(places: Floats, edges: Floats) -> float:
    """Smoothing width in cells: half the normal-reference width, and wider than ties lie apart."""
    cell = float(edges[1] - edges[0])
    thinned = places[:: max(1, places.size // 200_000)]
    lower, upper = np.quantile(thinned, [0.25, 0.75])
    spread = float(upper - lower) / 1.349 or float(thinned.std())
    sample = np.unique(places[:: max(1, places.size // 4096)])
    apart = float(np.median(np.diff(sample))) if sample.size > 1 else 0.0
    return float(np.clip(max(0.45 * spread * places.size**-0.2, 2.0 * apart) / cell, 1.0, _CELLS / 16))


def smoothed(counts: Floats, width: float) -> Floats:
    """Weighted by a normal curve cut at four standard deviations, with nothing beyond the ends.

    The same as `scipy.ndimage.gaussian_filter1d` to the last bit, without its import.

    Args:
        counts: shape (n,).
        width: standard deviation of the curve, in cells, above 0.
    """
    reach = int(4.0 * width + 0.5)
    weights = np.exp(-0.5 / (width * width) * np.arange(-reach, reach + 1) ** 2)
    weights = weights / weights.sum()
    padded = np.concatenate([np.zeros(reach), counts, np.zeros(reach)])
    total: Floats = counts * weights[reach]
    for k in range(reach, 0, -1):
        total += (padded[reach - k : reach - k + counts.size] + padded[reach + k : reach + k + counts.size]) * weights[
            reach - k
        ]
    return total


def _split(counts: Int64s, smooth: Floats, window: int) -> list[int]:
    """Cells of the valleys that stand up to the test, rising."""
    peaks = [
        i
        for i in range(_CELLS)
        if smooth[i] > 0.0
        and smooth[i] >= smooth[max(i - 1, 0)]
        and smooth[i] > (smooth[i + 1] if i + 1 < _CELLS else 0.0)
    ]
    held = np.concatenate([[0], np.cumsum(counts)])

    def near(cell: int) -> int:
        return int(held[min(cell + window + 1, _CELLS)] - held[max(cell - window, 0)])

    def lowest(first: int, second: int) -> int:
        return first + int(np.argmin(smooth[first : second + 1]))

    while len(peaks) > 1:
        valleys = [lowest(a, b) for a, b in itertools.pairwise(peaks)]
        ends = [-1, *valleys, _CELLS - 1]
        sizes = [int(held[b + 1] - held[a + 1]) for a, b in itertools.pairwise(ends)]
        scores = [
            _weakness(near(valley), min(near(a), near(b)), min(sizes[i], sizes[i + 1]), len(valleys))
            for i, (a, b, valley) in enumerate(zip(peaks[:-1], peaks[1:], valleys, strict=True))
        ]
        worst = int(np.argmax(scores))
        if scores[worst] <= 1.0:
            return valleys
        # Merge across the weakest valley: the lower peak goes.
        del peaks[worst if smooth[peaks[worst]] < smooth[peaks[worst + 1]] else worst + 1]
    return []


def _weakness(valley: int, peak: int, members: int, tests: int) -> float:
    """Above 1 where the valley does not separate two modes; the larger, the less it does."""
    if members < _FEWEST_IN_MODE or valley > _DEEPEST_VALLEY * peak:
        return 2.0 + valley / max(peak, 1)
    chance = binomial_cdf(valley, valley + peak, 0.5)
    return chance * tests / _ALPHA


def _describe(mine_ns: Int64s, total: int, peak_ns: int | None) -> Mode:
    p10, median, p90 = quantiles(mine_ns, [0.1, 0.5, 0.9]).tolist()
    return Mode(
        peak_ns=median if peak_ns is None else peak_ns,
        low_ns=int(mine_ns.min()),
        high_ns=int(mine_ns.max()),
        median_ns=median,
        p10_ns=p10,
        p90_ns=p90,
        share=mine_ns.size / total,
    )
