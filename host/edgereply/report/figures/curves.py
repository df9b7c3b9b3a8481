"""Conditions of a sweep as curves against the rate; nothing here draws."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from edgereply.evaluation.run_view import RunView
from edgereply.wording.units import parse_rate_period_ns


@dataclass(frozen=True, slots=True)
class Curve:
    """Conditions that differ in nothing but the rate.

    Attributes:
        name: what they share of all that was varied, "" where only the rate was.
        rates: stimuli per second, rising.
        views: the condition at each rate.
    """

    name: str
    rates: tuple[float, ...]
    views: tuple[RunView, ...]


def curves(views: Sequence[RunView]) -> list[Curve]:
    """Sort conditions into curves.

    Args:
        views: runs or conditions; those without a varied rate belong to no curve.

    Returns:
        A curve for each combination of everything else; none where no two rates were measured.
    """
    found: dict[str, dict[float, RunView]] = {}
    for view in views:
        if "rate" in view.axes:
            name = ", ".join(f"{axis} {value}" for axis, value in view.axes.items() if axis != "rate")
            found.setdefault(name, {})[1e9 / parse_rate_period_ns(view.axes["rate"])] = view
    if len({rate for at in found.values() for rate in at}) < 2:
        return []
    return [Curve(name, tuple(sorted(at)), tuple(at[rate] for rate in sorted(at))) for name, at in found.items()]
