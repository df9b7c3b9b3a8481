"""Limits of the pulse source's command set, in ns, and which settings go together."""

from __future__ import annotations

from dataclasses import replace

from edgereply.errors import SettingError
from edgereply.sources.base import StimulusPlan
from edgereply.wording.units import rate_words, time_words

PERIOD_NS = (200_000, 60_000_000_000)
WIDTH_NS = (30_000, 10_000_000)
FLOOR_NS = (100_000, 60_000_000_000)
SPREAD_NS = (0, 60_000_000_000 - 100_000)
SHORTEST_INTERVAL_NS = 100_000
REST_NS = 50_000
GAP_NS = (1_000, 30_000_000_000)


def shortest_interval_ns(plan: StimulusPlan) -> int:
    """Returns: the shortest interval the plan can draw, in ns; of pairs the shortest rest, not the shortest gap."""
    if plan.pattern == "periodic":
        return plan.period_ns
    if plan.pattern == "uniform":
        return plan.period_ns - plan.spread_ns
    if plan.pattern == "pairs":
        return plan.period_ns
    return plan.floor_ns


def with_gaps(plan: StimulusPlan, shortest_ns: int, source: str) -> StimulusPlan:
    """Fill in the gaps that a plan of pairs leaves to the source, and refuse those that it cannot do.

    Args:
        plan: as wanted; returned as it is where it has no pairs.
        shortest_ns: the shortest gap that the source can do.
        source: what errors call it.

    Returns:
        The plan with both gaps.

    Raises:
        SettingError: a gap is out of the source's range, or does not fit into the mean interval.
    """
    if plan.pattern != "pairs":
        return plan
    longest_ns = min(plan.period_ns // 2, GAP_NS[1])
    gaps = replace(
        plan,
        shortest_gap_ns=plan.shortest_gap_ns or min(shortest_ns, longest_ns),
        longest_gap_ns=plan.longest_gap_ns or longest_ns,
    )
    if not shortest_ns <= gaps.shortest_gap_ns <= longest_ns:
        raise SettingError(
            f"{source} cannot send two stimuli {time_words(gaps.shortest_gap_ns)} apart",
            "stimulus.shortest_gap",
            f"give {time_words(shortest_ns)} to {time_words(longest_ns)}, or leave it out for the source's shortest",
        )
    if not gaps.shortest_gap_ns <= gaps.longest_gap_ns <= longest_ns:
        raise SettingError(
            f"{time_words(gaps.longest_gap_ns)} is out of range",
            "stimulus.longest_gap",
            f"give {time_words(gaps.shortest_gap_ns)} to {time_words(longest_ns)}, which is half the mean interval, "
            "or a lower rate",
        )
    return gaps


def refuse_pairs(plan: StimulusPlan, source: str, why: str) -> None:
    """Refuse pairs for a source that cannot place two stimuli close together.

    Raises:
        SettingError: the plan has pairs.
    """
    if plan.pattern == "pairs":
        raise SettingError(
            f"{source} cannot send pairs: {why}",
            "stimulus.pattern",
            "use a source that times pairs itself ('reference', 'board', 'self' or 'virtual'), or another pattern",
        )


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
