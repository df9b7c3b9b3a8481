"""How likely a stamp is where it is, when it is known where it should be: ordinary, held up, lost, added, or doubled.

Nearly all stamps are ordinary: about their place as the clean pairs of the same run are. Nine in ten are Laplace, one
in ten lies anywhere between the outermost hundredths, since kernels stamp in modes; beyond those an exponential with
the mean excess there (J. Pickands 1975), so that a train that is never early makes an early stamp suspect however it
scatters to the other side. A stamp that was held up is off by x with a density of 1 / x: such delays have no scale of
their own; those that come meanwhile follow at once. A doubled stamp comes within `RESOLUTION` standard deviations of
its first, again with 1 / x: a contact that bounces, an edge told twice. What is lost is lost anywhere; what is added
lies anywhere.

The shares are counted in the run itself, between pairs that are certain. Where none was seen half a one is taken to be
there (Jeffreys' prior); where neither losses nor additions were seen, the run most likely has none at all, and a loss
and an addition in one place are rarer still by the root of its length.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Floats, Int64s, Places
from edgereply.analysis.pairing.clock import spread

# A stamp may be held up by so much: the longest that interrupts are off or a process waits for its turn.
HELD_UP_NS = 50_000_000
LEAST_RATE = 1e-6
# Of the clean residuals on either side, this share and at least so many are the tail.
TAIL_SHARE, TAIL_LEAST = 0.01, 5
BULK = 0.9  # of the residuals are what `spread` measures
# Closer than so many standard deviations are the two stamps of one edge.
RESOLUTION = 4.0
# A stamp that comes behind one that was held up follows at once as often as not.
AT_ONCE = 0.5


@dataclass(frozen=True, slots=True)
class Reach:
    """How far a held-up stamp may be before and after where it should be, ns."""

    before_ns: int
    after_ns: int


@dataclass(frozen=True, slots=True)
class Ordinary:
    """How the residuals of clean pairs lie, ns.

    Attributes:
        sigma_ns: standard deviation of their bulk.
        low_ns, high_ns: the tails begin here.
        left_ns, right_ns: mean excess in the tails.
    """

    sigma_ns: float
    low_ns: float
    high_ns: float
    left_ns: float
    right_ns: float

    @property
    def scale_ns(self) -> float:
        """Mean distance of a Laplace distribution like the bulk."""
        return max(self.sigma_ns / 1.5, 1.0)

    def density(self, off_ns: Floats) -> Floats:
        """Density, a nanosecond."""
        scale = self.scale_ns
        inner = np.clip(off_ns, self.low_ns, self.high_ns)
        beyond = (inner - off_ns) / np.where(off_ns < inner, self.left_ns, -self.right_ns)
        core = np.exp(-np.minimum(np.abs(inner) / scale, 700.0)) / (2 * scale)
        apart = 1 / max(self.high_ns - self.low_ns, 2 * scale)
        return np.asarray((BULK * core + (1 - BULK) * apart) * np.exp(-np.minimum(beyond, 700.0)))

    @property
    def instant_ns(self) -> float:
        """Stamps closer than this may be of one edge."""
        return RESOLUTION * self.sigma_ns

    def echoes(self, train: Int64s, places: Places) -> Bools:
        """Which of those places in a train come so soon after the one before that they may be the same edge."""
        gap = train[places] - train[np.maximum(places - 1, 0)]
        return np.asarray((places > 0) & (gap <= self.instant_ns))


def ordinary(residual: Floats) -> Ordinary:
    """How a sample of clean residuals lies; any order."""
    sigma = spread(residual)
    ordered = np.sort(residual)
    count = max(TAIL_LEAST, int(TAIL_SHARE * ordered.size))
    if ordered.size < 10 * TAIL_LEAST:
        return Ordinary(sigma, -sigma, sigma, max(sigma / 1.5, 1.0), max(sigma / 1.5, 1.0))
    low, high = float(ordered[count]), float(ordered[-1 - count])
    least = max(sigma / 1.5, 1.0) / 4
    left, right = low - float(ordered[:count].mean()), float(ordered[-count:].mean()) - high
    return Ordinary(sigma, min(low, 0.0), max(high, 0.0), max(left, least), max(right, least))


@dataclass(frozen=True, slots=True)
class Shares:
    """How often stamps are held up, lost and added, a target.

    `twice_expected` is the share of the targets close behind another that are the same one, expected again;
    `twice_there` how often a stamp is doubled, a target. `whole` says that the run shows no loss and no addition.
    """

    held_up: float
    lost: float
    added: float
    twice_expected: float = 0.0
    twice_there: float = 0.0
    whole: bool = False


@dataclass(frozen=True, slots=True)
class Likelihood:
    """The model of one pair of trains; log-likelihoods are per nanosecond where they are of stamps.

    Attributes:
        mean_ns: mean interval of the train.
    """

    ordinary: Ordinary
    shares: Shares
    mean_ns: float
    reach: Reach

    def _over(self) -> float:
        """Of a density of 1 / x on both sides: its integral."""
        return 2 * float(np.log1p(max(self.reach.before_ns, self.reach.after_ns) / self.ordinary.scale_ns))

    def _again(self, gap_ns: Floats) -> Floats:
        """Density of the second stamp of one edge."""
        most = self.ordinary.instant_ns
        return np.where(gap_ns <= most, 1 / ((gap_ns + 1) * np.log(most + 2)), 0.0)

    def pair(self, off_ns: Floats) -> Floats:
        """Of a stamp that is off by so much, any shape."""
        span = np.where(off_ns < 0, self.reach.before_ns, self.reach.after_ns)
        distance, shares = np.abs(off_ns), self.shares
        held = np.where(distance <= span, 1 / ((distance + self.ordinary.scale_ns) * self._over()), 0.0)
        likely = max(1 - shares.held_up - shares.lost, 0.01) * self.ordinary.density(off_ns) + shares.held_up * held
        with np.errstate(divide="ignore"):
            return np.asarray(np.log(likely), np.float64)

    def queued(self, off_ns: Floats, gap_ns: Floats) -> Floats:
        """The same where the stamp before, by `gap_ns`, is another target's: it may have waited behind that one."""
        behind = (off_ns >= gap_ns) & (off_ns <= self.reach.after_ns)
        at_once = AT_ONCE / ((gap_ns + self.ordinary.scale_ns) * self._over())
        with np.errstate(divide="ignore"):
            return np.asarray(np.logaddexp(self.pair(off_ns), np.log(np.where(behind, at_once, 0.0))))

    @property
    def stray(self) -> float:
        """Of a stamp that is nobody's."""
        return float(np.log(self.shares.added / self.mean_ns))

    def doubled(self, gap_ns: Floats) -> Floats:
        """Of a stamp that is nobody's and comes by `gap_ns` after one that is somebody's."""
        return np.asarray(np.log(self.shares.added / self.mean_ns + self.shares.twice_there * self._again(gap_ns)))

    def missed(self, gap_ns: Floats) -> Floats:
        """Of a target, by `gap_ns` after the one before, without a stamp."""
        again = np.where(gap_ns <= self.ordinary.instant_ns, self.shares.twice_expected, 0.0)
        return np.asarray(np.log(self.shares.lost + (1 - self.shares.lost) * again))

    def limits(self, most_ns: float, doubt: float) -> tuple[float, float]:
        """How far below and above its place a stamp that stands alone is its target's beyond doubt, up to `most_ns`."""
        wanted = float(np.log(self.shares.lost) - np.log(doubt)) + self.stray
        found = []
        for side in (-1.0, 1.0):
            sure, most = 0.0, max(most_ns, 1.0)
            # Densities fall with the distance: first seen coarsely, then finely.
            for steps in (64, 256):
                off = np.geomspace(max(sure, 1.0), most, steps)
                short = np.flatnonzero(self.pair(side * off) < wanted)
                if not short.size:
                    sure = most
                    break
                sure, most = float(off[max(0, short[0] - 1)]), float(off[short[0]])
            found.append(side * sure)
        return found[0], found[1]
