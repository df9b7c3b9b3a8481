"""Counts in bins whose edges are whole nanoseconds a person would have chosen."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s

Scale = Literal["linear", "log"]

# A tail this many times the smallest value is unreadable on a linear axis.
_LOG_FROM_RATIO = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Histogram:
    """Counts between edges.

    Attributes:
        edges_ns: shape (bins + 1,), int64, nanoseconds, rising; shape (0,) for an empty sample.
        counts: shape (bins,), int64; bin i holds edges_ns[i] <= value < edges_ns[i + 1]. Every
            value of the sample is counted once.
        scale: how the bins are spaced, hence the axis to draw them on.
    """

    edges_ns: Int64s
    counts: Int64s
    scale: Scale


def histogram(values_ns: Int64s, bins: int = 60, scale: Literal["auto", "linear", "log"] = "auto") -> Histogram:
    """Count values in at most about `bins` bins.

    Args:
        values_ns: shape (n,), int64, nanoseconds, any order, may be empty.
        bins: most bins wanted, at least 1; linear bins may be up to two more, so that their
            edges fall on round numbers.
        scale: "linear" bins are 1, 2 or 5 times a power of ten wide; "log" bins have equal ratios
            and need positive values; "auto" takes "log" where the largest value is at least
            20 times the smallest and that is positive.

    Returns:
        Edges and counts.

    Raises:
        ValueError: no bins, or log bins for values that are not positive.
    """
    if bins < 1:
        raise ValueError(f"a histogram has at least one bin, got {bins}")
    if values_ns.size == 0:
        return Histogram(
            edges_ns=np.empty(0, dtype=np.int64),
            counts=np.empty(0, dtype=np.int64),
            scale="log" if scale == "log" else "linear",
        )
    low, high = int(values_ns.min()), int(values_ns.max())
    if scale == "log" and low <= 0:
        raise ValueError(f"log bins take positive values, the smallest here is {low} ns")
    if scale == "auto":
        scale = "log" if low > 0 and high >= _LOG_FROM_RATIO * low else "linear"
    if scale == "linear":
        return _linear(values_ns, low, high, bins)
    edges = log_edges(low, high, bins)
    places = np.searchsorted(edges, values_ns, side="right") - 1
    return Histogram(edges_ns=edges, counts=_count(places, edges.size - 1), scale="log")


def nice_width(span: int, bins: int) -> int:
    """Smallest 1, 2 or 5 times a power of ten that cuts `span` nanoseconds into at most `bins`."""
    wanted = max(1, -(-span // bins))
    decade: int = 10 ** (len(str(wanted)) - 1)
    return next(width for step in (1, 2, 5, 10) if (width := step * decade) >= wanted)


def log_edges(low: int, high: int, bins: int) -> Int64s:
    """Whole-nanosecond edges with nearly equal ratios that enclose low and high.

    Args:
        low: smallest value, nanoseconds, positive.
        high: largest value, nanoseconds, at least `low`.
        bins: number of bins; fewer where neighbours would round to the same nanosecond.

    Returns:
        Shape (at most bins + 1,), int64, rising, first equal to `low`, last above `high`.
    """
    ratio = math.log((high + 1) / low)
    inner = np.rint(low * np.exp(ratio * np.arange(bins + 1) / bins)).astype(np.int64)
    inner[0], inner[-1] = low, high + 1
    return np.unique(np.clip(inner, low, high + 1))


def _linear(values_ns: Int64s, low: int, high: int, bins: int) -> Histogram:
    width = nice_width(high - low + 1, bins)
    first = low // width
    places = values_ns // width - first
    edges = width * np.arange(first, high // width + 2, dtype=np.int64)
    return Histogram(edges_ns=edges, counts=_count(places, edges.size - 1), scale="linear")


def _count(places: Int64s, bins: int) -> Int64s:
    counts: Int64s = np.bincount(places, minlength=bins).astype(np.int64)
    return counts
