"""Runs side by side: figures, margin to the deadline, and who is really different from whom."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from edgereply.analysis.arrays.chunks import at_once
from edgereply.analysis.statistics.intervals import count_needed
from edgereply.analysis.statistics.placement import independent_count
from edgereply.analysis.statistics.quantile_intervals import quantile_interval
from edgereply.analysis.statistics.summary import QUANTILES, SampleSummary, summarise, widened
from edgereply.comparison.conditions import differing, mixing_words
from edgereply.comparison.entries import LOST_NS, Entry
from edgereply.comparison.groups import group
from edgereply.evaluation.run_view import letter
from edgereply.system.workers import Each
from edgereply.wording.numbers import ROUGH, needs_words

UNANSWERED = "too many stimuli without an answer"


@dataclass(frozen=True, slots=True)
class Margin:
    """Deadline minus the upper end of p99.9's 95 % interval: what it leaves for all but one stimulus in a thousand.

    Stimuli without an answer count as slower than any.

    Attributes:
        left_ns: nanoseconds, negative past the deadline; None where it cannot be told.
        why_not: why it cannot; "" where it can.
    """

    left_ns: int | None
    why_not: str = ""


@dataclass(frozen=True, slots=True)
class ComparedEntry:
    """One line of the comparison.

    Attributes:
        short: its letter on the page.
        groups: letters of its groups; "" where it was not tested.
        summary: of all its answers.
        margin: what the deadline leaves.
    """

    short: str
    entry: Entry
    summary: SampleSummary
    groups: str
    margin: Margin


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

    summary: SampleSummary
    margin: Margin
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
        ComparedEntry(s, e, item.summary, g, item.margin)
        for s, e, item, g in zip(short, entries, found, groups, strict=True)
    ]
    named = [(s, e.respects) for s, e in zip(short, entries, strict=True) if e.respects]
    return Comparison(places, differing(named), mixing_words(measurands, evidence), method, p_adjusted)


def _measured(entry: Entry, ranked: bool) -> _Measured:
    answers = entry.reaction_ns
    found = summarise(answers, entry.known_to)
    worth = independent_count(answers) if ranked and answers.size else 0.0
    return _Measured(found, margin(entry, found), worth)


def _who(short: Sequence[str], values: Sequence[str]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for name, value in zip(short, values, strict=True):
        found.setdefault(value, []).append(name)
    return found


def margin(entry: Entry, summary: SampleSummary) -> Margin:
    """What the deadline leaves for all but one stimulus in a thousand.

    Args:
        entry: the run or condition.
        summary: of its answers.
    """
    if entry.deadline_ns is None:
        return Margin(None, "no deadline")
    lost = entry.counts["missed"] + entry.counts["coalesced"]
    found = quantile_interval(entry.outcomes_ns, QUANTILES["p99_9_ns"]) if lost else summary.quantiles["p99_9_ns"]
    if found is None:
        return Margin(None, needs_words(count_needed(QUANTILES["p99_9_ns"])))
    if found.value_ns >= LOST_NS or (found.high_ns is not None and found.high_ns >= LOST_NS):
        return Margin(None, UNANSWERED)
    if lost:
        found = widened(found, entry.known_to)
    if found is None or found.high_ns is None:
        return Margin(None, ROUGH)
    return Margin(entry.deadline_ns - found.high_ns)


def _place_dict(place: ComparedEntry) -> dict[str, Any]:
    entry = place.entry
    return {
        "short": place.short,
        "name": entry.name,
        "places": list(entry.places),
        "groups": place.groups,
        **entry.counts,
        "reaction": place.summary.as_dict(),
        "deadline_ns": entry.deadline_ns,
        "margin_ns": place.margin.left_ns,
        "margin_why_not": place.margin.why_not,
        "context": entry.context,
        "evidence": entry.evidence,
        "virtual": entry.virtual,
        "respects": entry.respects,
        "trouble": list(entry.trouble),
    }
