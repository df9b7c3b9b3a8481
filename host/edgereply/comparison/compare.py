"""Runs side by side: figures, margin to the deadline, and who is really different from whom."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from edgereply.analysis.arrays.chunks import at_once
from edgereply.analysis.statistics.placement import independent_count
from edgereply.analysis.statistics.quantile_intervals import quantile_interval
from edgereply.comparison.conditions import differing, mixing_words
from edgereply.comparison.entries import LOST_NS, Entrant
from edgereply.comparison.estimates import Figures, figures, widened
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
class Place:
    """One line of the comparison.

    Attributes:
        short: its letter on the page.
        groups: letters of its groups; "" where it was not tested.
        margin_ns: deadline minus slowest answer; None without either, and where it would be positive
            though a stimulus was never answered.
        tail: the same for all but one stimulus in a thousand.
    """

    short: str
    entrant: Entrant
    figures: Figures
    groups: str
    margin_ns: int | None
    tail: TailMargin


@dataclass(frozen=True, slots=True)
class Standing:
    """A whole comparison.

    Attributes:
        places: in the order they were given.
        differences: by respect, by value: who has it.
        words: on what the figures are worth against each other.
        method: how the groups were found, or why there are none.
        p_adjusted: by pair of short letters, for pairs that were tested.
    """

    places: list[Place]
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
    """What is worked out of each entrant by itself; `worth` is how many independent answers its own are worth."""

    figures: Figures
    tail: TailMargin
    worth: float


def stand(entrants: Sequence[Entrant], one_series: bool, confidence: float = 0.95, each: Each = at_once) -> Standing:
    """Compare everybody with everybody.

    Args:
        entrants: one or more.
        one_series: they are the conditions of one series, so that rounds can be compared with each other.
        confidence: 1 minus the chance of any false difference.
        each: works on the entrants one by one.
    """
    found = each(partial(_measured, ranked=not one_series), entrants)
    short = [letter(place) for place in range(len(entrants))]
    groups, method, p_adjusted = group(entrants, [item.worth for item in found], short, one_series, confidence)
    measurands = _who(short, [entrant.measurand for entrant in entrants])
    evidence = _who(short, [entrant.evidence for entrant in entrants])
    places = [
        Place(s, e, item.figures, g, _margin(e, item.figures), item.tail)
        for s, e, item, g in zip(short, entrants, found, groups, strict=True)
    ]
    named = [(s, e.respects) for s, e in zip(short, entrants, strict=True) if e.respects]
    return Standing(places, differing(named), mixing_words(measurands, evidence), method, p_adjusted)


def _measured(entrant: Entrant, ranked: bool) -> _Measured:
    found, answers = figures(entrant.reaction_ns, entrant.known_to), entrant.reaction_ns
    worth = independent_count(answers) if ranked and answers.size else 0.0
    return _Measured(found, tail_margin(entrant, found), worth)


def _who(short: Sequence[str], values: Sequence[str]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for name, value in zip(short, values, strict=True):
        found.setdefault(value, []).append(name)
    return found


def _margin(entrant: Entrant, item: Figures) -> int | None:
    if entrant.deadline_ns is None or item.max_ns is None:
        return None
    margin = entrant.deadline_ns - item.max_ns
    # A stimulus that was never answered leaves nothing of a margin that answers alone would have.
    return None if margin >= 0 and entrant.counts["missed"] + entrant.counts["coalesced"] else margin


def tail_margin(entrant: Entrant, item: Figures) -> TailMargin:
    """What the deadline leaves for all but one stimulus in a thousand, stimuli without an answer counted as slowest."""
    if entrant.deadline_ns is None:
        return TailMargin(None, False)
    lost = entrant.counts["missed"] + entrant.counts["coalesced"]
    found = quantile_interval(entrant.outcomes_ns, 0.999) if lost else item.quantiles["p99_9_ns"]
    if found is None:
        return TailMargin(None, False)
    unanswered = found.high_ns >= LOST_NS
    if lost and not unanswered and entrant.known_to is not None:
        found = widened(found, entrant.known_to)
    return TailMargin(None if unanswered else entrant.deadline_ns - found.high_ns, unanswered)


def _place_dict(place: Place) -> dict[str, Any]:
    entrant = place.entrant
    return {
        "short": place.short,
        "name": entrant.name,
        "places": list(entrant.places),
        "groups": place.groups,
        **entrant.counts,
        "reaction": place.figures.as_dict(),
        "deadline_ns": entrant.deadline_ns,
        "margin_ns": place.margin_ns,
        "margin_p99_9_ns": place.tail.left_ns,
        "context": entrant.context,
        "evidence": entrant.evidence,
        "virtual": entrant.virtual,
        "respects": entrant.respects,
        "trouble": list(entrant.trouble),
    }
