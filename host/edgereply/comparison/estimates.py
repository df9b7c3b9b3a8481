"""Figures of a side of a comparison, with intervals that allow for clusters."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.uncertainty import KnownTo
from edgereply.analysis.statistics.intervals import count_needed
from edgereply.analysis.statistics.quantile_intervals import QuantileEstimate, quantile_intervals

QUANTILES = {"median_ns": 0.5, "p99_ns": 0.99, "p99_9_ns": 0.999}


@dataclass(frozen=True, slots=True)
class Estimates:
    """Figures of an entry, with intervals that allow for clusters.

    A quantile is None where the answers, counted as independent ones, are too few; `needed` says how many it takes.
    """

    quantiles: dict[str, QuantileEstimate | None]
    needed: dict[str, int]
    max_ns: int | None

    def as_dict(self) -> dict[str, Any]:
        """JSON-ready."""
        return {
            **{name: None if found is None else found.value_ns for name, found in self.quantiles.items()},
            "max_ns": self.max_ns,
            "ci95": {n: None if q is None or not q.ends_ns else [*q.ends_ns] for n, q in self.quantiles.items()},
            "needed": self.needed,
        }


def estimate(reaction_ns: Int64s, known_to: KnownTo | None = None) -> Estimates:
    """Compute the figures of some answers, int64 nanoseconds in order of time.

    Intervals are widened by what the instrument does not know (`known_to`) of imported times.
    """
    estimates = (
        quantile_intervals(reaction_ns, list(QUANTILES.values())) if reaction_ns.size else [None] * len(QUANTILES)
    )
    found = dict(zip(QUANTILES, estimates, strict=True))
    if known_to is not None:
        found = {name: None if item is None else widened(item, known_to) for name, item in found.items()}
    needed = {name: count_needed(QUANTILES[name]) for name, estimate in found.items() if estimate is None}
    return Estimates(found, needed, int(reaction_ns.max()) if reaction_ns.size else None)


def widened(item: QuantileEstimate, known_to: KnownTo) -> QuantileEstimate:
    """The same with an interval wider by what the instrument does not know."""
    if item.ends_ns is None:
        return item
    low_ns, high_ns = known_to.widen(*item.ends_ns)
    return replace(item, low_ns=low_ns, high_ns=high_ns)
