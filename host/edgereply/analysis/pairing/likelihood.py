"""How well a relation of two clocks explains the stamps of a run: the likelihood that hypotheses are compared by.

Each stimulus looks at the edge nearest to where it should be. Either that is its own edge, off by the jitter of the
stamps, or an unrelated one: its own was lost, or there is no relation at all. An unrelated place is anywhere between
the two edges on either side, so with a gap of g between them its distance to the nearer one is uniform: density 1 / g,
whatever the rate there, in bursts as in pauses. The mixture of the two is fitted by expectation and maximisation
(Dempster, Laird and Rubin 1977), and its log-likelihood less that of "all unrelated" is the evidence for the relation,
in nats. Hypotheses with lost, added, late and missing edges are so measured by one scale, each with the jitter and the
share of losses that suit it best.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Floats, Int64s
from edgereply.analysis.pairing.clock import FAR, middle, padded

ROUNDS = 12
# Stamps are whole nanoseconds, and a handful of them may agree by chance: no jitter is taken to be less.
LEAST_NS = 2.0
# A jitter as wide as this share of the usual gap relates nothing.
WIDEST = 0.25


@dataclass(frozen=True, slots=True)
class Residuals:
    """Nearest edge less where each stimulus should be, and the gap between the edges on either side, float64 ns."""

    off_ns: Floats
    gap_ns: Floats


@dataclass(frozen=True, slots=True)
class Evidence:
    """Evidence in nats over "unrelated"; share of the stimuli with their own edge; mean distance of those."""

    nats: float
    share: float
    scale_ns: float


def residuals(target: Int64s, times: Int64s) -> Residuals:
    """Where stimuli should be, int64 ns, sorted, against all edges, int64 ns, sorted.

    Beyond the first and the last edge the gap is endless.
    """
    first, last = np.searchsorted(times, (target[0], target[-1])).tolist()
    among = padded(times[max(0, first - 1) : last + 1])
    right = np.searchsorted(among[2:-2], target, side="left")
    before, after = target - among[right + 1], among[right + 2] - target
    off = np.where(before <= after, -before, after).astype(np.float64)
    gap = before.astype(np.float64) + after
    return Residuals(off, np.where(gap > FAR / 2, np.inf, gap))


def evidence(left: Residuals) -> Evidence:
    """Fit the mixture."""
    count = left.off_ns.size
    nothing = Evidence(0.0, 0.0, LEAST_NS)
    inside = np.isfinite(left.gap_ns)
    gap, distance = left.gap_ns[inside], np.abs(left.off_ns[inside])
    if not gap.size:
        return nothing
    widest = max(LEAST_NS, WIDEST * middle(gap))
    ordered = np.sort(distance)
    best = nothing
    # The likelihood has several maxima where most are unrelated: from the closest tenth, and from the middle.
    for start in (0.1, 0.5, 0.9):
        scale = min(max(float(ordered[int(start * (ordered.size - 1))]) / 2, LEAST_NS), widest)
        share = max(start, 1 / (count + 1)) * gap.size / count
        for _ in range(ROUNDS):
            own = share * gap * np.exp(-distance / scale) / (2 * scale)
            mine = own / (own + (1 - share))
            total = float(mine.sum())
            # Half a stimulus more of either kind: no share is taken to be none or all (Jeffreys' prior).
            share = (total + 0.5) / (count + 1)
            scale = min(max(float(mine @ distance) / max(total, 1e-9), LEAST_NS), widest)
        own = share * gap * np.exp(-distance / scale) / (2 * scale)
        nats = float(np.log(own + (1 - share)).sum()) + (count - gap.size) * float(np.log(1 - share))
        if nats > best.nats:
            best = Evidence(nats, share, scale)
    return best
