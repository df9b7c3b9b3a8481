"""Runs side by side: figures, margin to the deadline, and who is really different from whom."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from functools import partial
from typing import Any

from edgereply.analysis.arrays.chunks import at_once
from edgereply.analysis.statistics.equivalence import MATTERS
from edgereply.analysis.statistics.intervals import count_needed
from edgereply.analysis.statistics.quantile_intervals import quantile_interval
from edgereply.analysis.statistics.summary import CONFIDENCE, QUANTILES, SampleSummary, summarise, widened
from edgereply.comparison.conditions import differing, mixing_words, varied
from edgereply.comparison.entries import LOST_NS, Entry
from edgereply.comparison.groups import group, method_words, pair_sentences, sittings_words
from edgereply.comparison.pairs import (
    Pair,
    Pairs,
    Quantiles,
    compare_sides,
    confidence_of,
    quantiles_at,
    sides_of,
)
from edgereply.evaluation.run_view import letter
from edgereply.system.workers import Each
from edgereply.wording.numbers import ROUGH, listing, needs_words, share

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
        method: how pairs and groups were found, or why there are none.
        matters: the smallest change that counts, a part of the whole.
        found: every pair, and what lies between sittings.
        sentences: every pair in words.
    """

    places: list[ComparedEntry]
    differences: dict[str, dict[str, list[str]]]
    words: list[str]
    method: list[str]
    matters: float
    found: Pairs
    sentences: list[str]

    @property
    def pairs(self) -> tuple[Pair, ...]:
        """Every two sides in every figure that was compared, medians first."""
        return self.found.pairs

    @property
    def compared(self) -> list[str]:
        """Respects that were varied on purpose."""
        return varied(self.differences)[0]

    @property
    def also_different(self) -> list[str]:
        """Respects that differ besides."""
        return varied(self.differences)[1]

    def as_dict(self) -> dict[str, Any]:
        """JSON-ready."""
        return {
            "runs": [_place_dict(place) for place in self.places],
            "differences": self.differences,
            "compared": self.compared,
            "also_different": self.also_different,
            "words": self.words,
            "method": self.method,
            "matters": self.matters,
            "pair_confidence": self.found.confidence,
            "between_sittings": {
                "in_intervals": all(pair.kind == "rounds" or pair.sittings_in for pair in self.pairs),
                "estimated": {name: asdict(one) for name, one in self.found.sittings.items()},
                "words": sittings_words(self.found),
            },
            "pairs": [pair.as_dict() for pair in self.pairs],
            "sentences": self.sentences,
        }


@dataclass(frozen=True, slots=True)
class _Measured:
    """What is worked out of each entry by itself; `compared` are the quantiles that pairs are judged by."""

    summary: SampleSummary
    margin: Margin
    compared: Quantiles


def compare_entries(
    entries: Sequence[Entry],
    one_series: bool,
    confidence: float = 0.95,
    each: Each = at_once,
    matters: float = MATTERS,
) -> Comparison:
    """Compare everybody with everybody.

    Args:
        entries: one or more.
        one_series: they are the conditions of one series, so that rounds can be compared with each other.
        confidence: that no word on a figure is wrong, over all pairs.
        each: works on the entries one by one.
        matters: the smallest change that counts, a part of the whole.
    """
    sides = sides_of(entries, one_series)
    apiece = confidence_of(len(sides), confidence)
    measured = each(partial(_measured, confidence=None if one_series or not sides else apiece), entries)
    short = [letter(place) for place in range(len(entries))]
    found = compare_sides(entries, short, sides, [item.compared for item in measured], matters, apiece)
    groups, grouped = group(entries, short, found)
    measurands = _who(short, [entry.measurand for entry in entries])
    evidence = _who(short, [entry.evidence for entry in entries])
    places = [
        ComparedEntry(s, e, item.summary, g, item.margin)
        for s, e, item, g in zip(short, entries, measured, groups, strict=True)
    ]
    named = [(s, e.respects) for s, e in zip(short, entries, strict=True) if e.respects]
    words = [*mixing_words(measurands, evidence), *_unanswered(places), *sittings_words(found)]
    method = [*method_words(found, matters), *grouped]
    return Comparison(places, differing(named), words, method, matters, found, pair_sentences(found, matters))


def _measured(entry: Entry, confidence: float | None) -> _Measured:
    found = summarise(entry.reaction_ns, entry.known_to)
    if confidence is None:
        compared: Quantiles = {}
    elif confidence == CONFIDENCE and not entry.untold:
        compared = found.quantiles
    else:
        compared = quantiles_at(entry, confidence)
    return _Measured(found, margin(entry, found), compared)


def _unanswered(places: Sequence[ComparedEntry]) -> list[str]:
    """A median of answers hides the stimuli that got none."""
    lost = [(p, p.entry.counts["missed"] + p.entry.counts["coalesced"]) for p in places]
    if len(places) < 2 or not any(number for _, number in lost):
        return []
    parts = [f"{place.short} {share(number, place.entry.counts['stimuli'])}" for place, number in lost]
    return [f"Times are those of answered stimuli; without an answer of their own: {listing(parts)}."]


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
        **({} if entry.gaps is None else {"gaps": entry.gaps.as_dict()}),
        "evidence": entry.evidence,
        "virtual": entry.virtual,
        "respects": entry.respects,
        "trouble": list(entry.trouble),
    }
