"""Limits of the pulse source's command set, in ns, and which settings go together."""

from __future__ import annotations

from edgereply.errors import SettingError
from edgereply.sources.base import StimulusPlan
from edgereply.wording.units import rate_words, time_words

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
    if not PERIOD_NS[0] <= plan.period_ns <= PERIOD_NS[1]:
        slowest, quickest = (rate_words(period_ns) for period_ns in reversed(PERIOD_NS))
        raise SettingError(
            f"the source cannot send {rate_words(plan.period_ns)} on average",
            "stimulus.rate",
            f"give {slowest} to {quickest}",
        )
    _within("stimulus.width", plan.width_ns, *WIDTH_NS)
    if plan.pattern == "exponential":
        _within("stimulus.floor", plan.floor_ns, FLOOR_NS[0], plan.period_ns)
    if plan.pattern == "uniform":
        _within("stimulus.spread", plan.spread_ns, 0, plan.period_ns - SHORTEST_INTERVAL_NS)
    shortest_ns = shortest_interval_ns(plan)
    if plan.width_ns > shortest_ns - REST_NS:
        raise SettingError(
            f"a stimulus of {time_words(plan.width_ns)} does not fit into intervals of {time_words(shortest_ns)}",
            "stimulus.width",
            f"give at most {time_words(shortest_ns - REST_NS)}, or longer intervals",
        )


def _within(name: str, value: int, least: int, most: int) -> None:
    if not least <= value <= most:
        raise SettingError(
            f"{time_words(value)} is out of range", name, f"give {time_words(least)} to {time_words(most)}"
        )
