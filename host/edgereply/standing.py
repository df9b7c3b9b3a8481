"""Runs side by side: figures, margin to the deadline, and who is really different from whom."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from edgereply.analysis.blocks import compare_blocks
from edgereply.analysis.bootstrap import quantile_interval
from edgereply.analysis.chunks import at_once
from edgereply.analysis.families import holm
from edgereply.analysis.letters import letter_groups, letters
from edgereply.analysis.placement import independent_count, place_all
from edgereply.entrants import LOST_NS, Entrant
from edgereply.figures import Figures, figures, widened
from edgereply.likeness import differing, mixing_words
from edgereply.report.text import listing
from edgereply.report.view import letter
from edgereply.workers import Each

BULK = "They speak of the usual answer; the slow end is in p99.9, the slowest answer and the margin."
RANKS = (
    "Groups: runs that share a letter were not told apart. Every pair is tested by ranks (Brunner and Munzel), answers "
    "that depend on each other counting as the independent ones they are worth, adjusted by Holm over all pairs: the "
    "chance of any false difference is at most {alpha:.0%}. Runs taken at different times also differ by whatever else "
    "changed between them; blocks of a sweep do not. {bulk}"
)
BLOCKS = (
    "Groups: conditions that share a letter were not told apart. Medians are compared round by round by an exact "
    "sign-flip test, adjusted by Holm over all pairs: the chance of any false difference is at most {alpha:.0%}. {bulk}"
)
FEW_ROUNDS = "{rounds} rounds cannot tell any of {pairs} pairs apart, {needed} could: no groups are given."
UNTESTED = "Too clustered to be tested: {who}; measure longer."
TOO_TANGLED = "The differences are too tangled for letters; the JSON document has the p-value of every pair."


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
    groups, method, p_adjusted = _group(entrants, [item.worth for item in found], short, one_series, confidence)
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


def _group(
    entrants: Sequence[Entrant], counts: Sequence[float], short: Sequence[str], one_series: bool, confidence: float
) -> tuple[list[str], list[str], dict[tuple[str, str], float]]:
    """Letters of everybody's groups, how they were found, and the p-value of each pair."""
    groups, method, p_adjusted, taken = [""] * len(entrants), [], {}, 0
    samples = [entrant.reaction_ns for entrant in entrants]
    answered = [place for place, sample in enumerate(samples) if sample.size]
    for kind in dict.fromkeys(entrants[place].measurand for place in answered):
        members = [place for place in answered if entrants[place].measurand == kind]
        if untested := [place for place in members if not one_series and counts[place] <= 0.0]:
            members = [place for place in members if place not in untested]
            method.append(UNTESTED.format(who=listing([short[place] for place in untested])))
        if len(members) < 2:
            continue
        p_values, words = (
            _by_rounds([entrants[place] for place in members], confidence) if one_series
            else _by_ranks([samples[place] for place in members], [counts[place] for place in members], confidence)
        )  # fmt: skip
        method.append(words)
        if p_values is None:
            continue
        for i, first in enumerate(members):
            for j, second in enumerate(members[:i]):
                p_adjusted[short[second], short[first]] = float(p_values[i, j])
        order = sorted(range(len(members)), key=lambda n: float(np.median(samples[members[n]])))
        found = letter_groups((p_values < 1.0 - confidence)[np.ix_(order, order)])
        if found is None:
            method.append(TOO_TANGLED)
            continue
        for n, numbers in zip(order, found, strict=True):
            groups[members[n]] = letters(numbers, taken)
        taken += 1 + max(max(numbers) for numbers in found)
    return groups, list(dict.fromkeys(method)), p_adjusted


def rounds_needed(pairs: int, confidence: float) -> int:
    """Rounds from which a sign-flip test can tell one of so many pairs apart after Holm's adjustment."""
    rounds = 1
    while pairs * 2.0 ** (1 - rounds) >= 1.0 - confidence:
        rounds += 1
    return rounds


def _by_rounds(taking: Sequence[Entrant], confidence: float) -> tuple[NDArray[np.float64] | None, str]:
    """Holm-adjusted p-values of all pairs of conditions, and how they were found, or why there are none."""
    pairs = len(taking) * (len(taking) - 1) // 2
    common = sorted(set.intersection(*(set(entrant.rounds) for entrant in taking)))
    needed = rounds_needed(pairs, confidence)
    if len(common) < needed:
        return None, FEW_ROUNDS.format(rounds=len(common), pairs=pairs, needed=needed)
    tested = compare_blocks({str(n): _medians(entrant, common) for n, entrant in enumerate(taking)}, confidence)
    words = BLOCKS.format(alpha=1.0 - confidence, bulk=BULK)
    return _square([item.p_adjusted for item in tested], len(taking)), words


def _by_ranks(
    samples: Sequence[NDArray[np.int64]], worth: Sequence[float], confidence: float
) -> tuple[NDArray[np.float64], str]:
    """Holm-adjusted p-values of all pairs of samples worth so many independent answers, and how they were found."""
    flat = place_all(samples, worth).p_values[np.triu_indices(len(samples), 1)]
    return _square(holm(flat.tolist()), len(samples)), RANKS.format(alpha=1.0 - confidence, bulk=BULK)


# A round without one answer is slower than any; small enough that thousands of them still add up in 64 bits.
_NEVER_NS = 2**50


def _square(flat: Sequence[float], count: int) -> NDArray[np.float64]:
    square = np.ones((count, count))
    square[np.triu_indices(count, 1)] = flat
    return np.minimum(square, square.T)


def _medians(entrant: Entrant, rounds: Sequence[int]) -> NDArray[np.int64]:
    by_round = dict(zip(entrant.rounds, entrant.blocks, strict=True))
    return np.array([int(np.median(by_round[n])) if by_round[n].size else _NEVER_NS for n in rounds], np.int64)


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
