"""Figures beside the standard ones, a row each: every summary, its JSON, the tables and the page take them from here.

The standard figures are in `summary`. A new one is a function of the sample and a row below; what is in no row costs
nothing. By pieces, where a sample is never whole, these figures are left out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from edgereply.analysis.arrays.aliases import Int64s


@dataclass(frozen=True, slots=True)
class Further:
    """One figure.

    Attributes:
        label: its words in a table.
        of: from the sample, int64 nanoseconds in order of time, never empty, to the figure in nanoseconds; None where
            the sample cannot carry it.
    """

    label: str
    of: Callable[[Int64s], int | float | None]


# Name, with its unit → figure.
FURTHER: dict[str, Further] = {
}  # fmt: skip


def further(values_ns: Int64s) -> dict[str, Any]:
    """All of them for one sample, by name: int, float or None; None for an empty sample."""
    return {name: row.of(values_ns) if values_ns.size else None for name, row in FURTHER.items()}
