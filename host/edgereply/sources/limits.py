"""Limits of the pulse source's command set, in ns, and which settings go together."""

from __future__ import annotations

from edgereply.errors import SettingError
from edgereply.sources.base import StimulusPlan

PERIOD_NS = (200_000, 60_000_000_000)
WIDTH_NS = (30_000, 10_000_000)
FLOOR_NS = (100_000, 60_000_000_000)
SPREAD_NS = (0, 60_000_000_000 - 100_000)
SHORTEST_INTERVAL_NS = 100_000
REST_NS = 50_000


def shortest_interval_ns(plan: StimulusPlan) -> int:
    """Returns: the shortest interval the plan can draw, in ns."""
    if plan.pattern == "periodic":
        return plan.period_ns
    if plan.pattern == "uniform":
        return plan.period_ns - plan.spread_ns
    return plan.floor_ns


def check_plan(plan: StimulusPlan) -> None:
    """Refuse a plan that the command set does not allow.

    Args:
        plan: as wanted.

    Raises:
        SettingError: names the setting, its value and its range.
    """
    _within("period_ns", plan.period_ns, *PERIOD_NS)
    _within("width_ns", plan.width_ns, *WIDTH_NS)
    if plan.pattern == "exponential":
        _within("floor_ns", plan.floor_ns, FLOOR_NS[0], plan.period_ns)
    if plan.pattern == "uniform":
        _within("spread_ns", plan.spread_ns, 0, plan.period_ns - SHORTEST_INTERVAL_NS)
    shortest_ns = shortest_interval_ns(plan)
    if plan.width_ns > shortest_ns - REST_NS:
        raise SettingError(
            f"a stimulus of {plan.width_ns} ns does not fit into the shortest interval of {shortest_ns} ns.",
            "width_ns",
            f"Give at most {shortest_ns - REST_NS} ns, or longer intervals.",
        )


def _within(name: str, value: int, least: int, most: int) -> None:
    if not least <= value <= most:
        raise SettingError(f"{value} ns is out of range.", name, f"Give {least} to {most} ns.")
