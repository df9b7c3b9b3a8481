"""Runs side by side: figures, margin to the deadline, and who is really different from whom."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from edgereply.analysis.arrays.chunks import at_once
from edgereply.analysis.statistics.placement import independent_count
from edgereply.analysis.statistics.quantile_intervals import quantile_interval
from edgereply.comparison.conditions import differing, mixing_words
from edgereply.comparison.entries import LOST_NS, Entry
from edgereply.comparison.estimates import Estimates, estimate, widened
from edgereply.comparison.groups import group
from edgereply.evaluation.run_view import letter
from edgereply.system.workers import Each


@dataclass(frozen=True, slots=True)
class TailMargin:
    """Deadline minus the upper end of p99.9's 95 % interval.

    Attributes:
        left_ns: None where there is no deadline, where the answers are too few or too clustered for p99.9, and where
            more stimuli than that went without an answer.
        unanswered: whether that last one is why.
    """

    left_ns: int | None
    unanswered: bool


@dataclass(frozen=True, slots=True)
class ComparedEntry:
    """One line of the comparison.

    Attributes:
        short: its letter on the page.
        groups: letters of its groups; "" where it was not tested.
        margin_ns: deadline minus slowest answer; None without either, and where it would be positive
            though a stimulus was never answered.
        tail: the same for all but one stimulus in a thousand.
    """

    short: str
    entry: Entry
    estimates: Estimates
    groups: str
    margin_ns: int | None
    tail: TailMargin


@dataclass(frozen=True, slots=True)
class Comparison:
    """A whole comparison.

    Attributes:
        places: in the order they were given.
        differences: by respect, by value: who has it.
        words: on what the figures are worth against each other.
        method: how the groups were found, or why there are none.
        p_adjusted: by pair of short letters, for pairs that were tested.
    """

    places: list[ComparedEntry]
    differences: dict[str, dict[str, list[str]]]
    words: list[str]
    method: list[str]
    p_adjusted: dict[tuple[str, str], float]

    def as_dict(self) -> dict[str, Any]:
        """JSON-ready."""
        return {
            "runs": [_place_dict(place) for place in self.places],
            "differences": self.differences,
            "words": self.words,
            "method": self.method,
            "pairs": [{"first": a, "second": b, "p_adjusted": p} for (a, b), p in self.p_adjusted.items()],
        }


@dataclass(frozen=True, slots=True)
class _Measured:
    """What is worked out of each entry by itself; `worth` is how many independent answers its own are worth."""

    estimates: Estimates
    tail: TailMargin
    worth: float


def compare_entries(
    entries: Sequence[Entry], one_series: bool, confidence: float = 0.95, each: Each = at_once
) -> Comparison:
    """Compare everybody with everybody.

    Args:
        entries: one or more.
        one_series: they are the conditions of one series, so that rounds can be compared with each other.
        confidence: 1 minus the chance of any false difference.
        each: works on the entries one by one.
    """
    found = each(partial(_measured, ranked=not one_series), entries)
    short = [letter(place) for place in range(len(entries))]
    groups, method, p_adjusted = group(entries, [item.worth for item in found], short, one_series, confidence)
    measurands = _who(short, [entry.measurand for entry in entries])
    evidence = _who(short, [entry.evidence for entry in entries])
    places = [
        ComparedEntry(s, e, item.estimates, g, _margin(e, item.estimates), item.tail)
        for s, e, item, g in zip(short, entries, found, groups, strict=True)
    ]
    named = [(s, e.respects) for s, e in zip(short, entries, strict=True) if e.respects]
    return Comparison(places, differing(named), mixing_words(measurands, evidence), method, p_adjusted)


def _measured(entry: Entry, ranked: bool) -> _Measured:
    found, answers = estimate(entry.reaction_ns, entry.known_to), entry.reaction_ns
    worth = independent_count(answers) if ranked and answers.size else 0.0
    return _Measured(found, tail_margin(entry, found), worth)


def _who(short: Sequence[str], values: Sequence[str]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for name, value in zip(short, values, strict=True):
        found.setdefault(value, []).append(name)
    return found


def _margin(entry: Entry, item: Estimates) -> int | None:
    if entry.deadline_ns is None or item.max_ns is None:
        return None
    margin = entry.deadline_ns - item.max_ns
    # A stimulus that was never answered leaves nothing of a margin that answers alone would have.
    return None if margin >= 0 and entry.counts["missed"] + entry.counts["coalesced"] else margin


def tail_margin(entry: Entry, item: Estimates) -> TailMargin:
    """What the deadline leaves for all but one stimulus in a thousand, stimuli without an answer counted as slowest."""
    if entry.deadline_ns is None:
        return TailMargin(None, False)
    lost = entry.counts["missed"] + entry.counts["coalesced"]
    found = quantile_interval(entry.outcomes_ns, 0.999) if lost else item.quantiles["p99_9_ns"]
    if found is None or found.high_ns is None:
        return TailMargin(None, False)
    unanswered = found.high_ns >= LOST_NS
    if lost and not unanswered and entry.known_to is not None:
        found = widened(found, entry.known_to)
    left = None if unanswered or found.high_ns is None else entry.deadline_ns - found.high_ns
    return TailMargin(left, unanswered)


def _place_dict(place: ComparedEntry) -> dict[str, Any]:
    entry = place.entry
    return {
        "short": place.short,
        "name": entry.name,
        "places": list(entry.places),
        "groups": place.groups,
        **entry.counts,
        "reaction": place.estimates.as_dict(),
        "deadline_ns": entry.deadline_ns,
        "margin_ns": place.margin_ns,
        "margin_p99_9_ns": place.tail.left_ns,
        "context": entry.context,
        "evidence": entry.evidence,
        "virtual": entry.virtual,
        "respects": entry.respects,
        "trouble": list(entry.trouble),
    }
