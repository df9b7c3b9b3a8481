"""Figures of the reaction time beside the standard ones, a row each: summary, JSON, table and page take them from here.

The standard figures are in `summary`; a new one needs a function of the sample and a row below, nothing else.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.quantiles import quantiles


@dataclass(frozen=True, slots=True)
class Further:
    """One figure.

    Attributes:
        label: its words in a table.
        of: from the sample, int64 nanoseconds in order of time, to the figure in nanoseconds; None where the sample
            cannot carry it.
    """

    label: str
    of: Callable[[Int64s], int | float | None]


def interquartile_range(values_ns: Int64s) -> int | None:
    """Third quartile minus first: how far the middle half of the answers spread, whatever the slow ones do.

    Args:
        values_ns: shape (n,), int64, nanoseconds.

    Returns:
        Nanoseconds; None below four values. Quartiles are measured values (Hyndman and Fan's type 1).

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.6, Measures of scale.
    """
    if values_ns.size < 4:
        return None
    low, high = (int(value) for value in quantiles(values_ns, [0.25, 0.75]))
    return high - low


FURTHER: Final[dict[str, Further]] = {
    "interquartile_range_ns": Further("interquartile range", interquartile_range),
}


def further(values_ns: Int64s) -> dict[str, Any]:
    """All of them for one sample, by name: int, float or None."""
    return {name: row.of(values_ns) for name, row in FURTHER.items()}
