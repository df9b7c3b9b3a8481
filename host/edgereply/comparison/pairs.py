"""Every two sides of a comparison, figure by figure: same within the margin that counts, different, or not to be told.

Sides are setups: runs that are alike in every recorded respect are sittings of one setup. Setups are compared with each
other, and sittings with each other where there is but one setup. Two sittings of one board differ by half a per cent or
two for no reason anybody recorded; where a setup was measured more than once that is estimated and is in the intervals
of setups, otherwise a claim is about the sittings that were measured, and says so. Conditions of one series were
measured in turns: they are compared round by round, so that what moves a whole round falls out.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any, Final, Literal

import numpy as np

from edgereply.analysis.arrays.aliases import Floats, Int64s
from edgereply.analysis.arrays.quantiles import quantiles
from edgereply.analysis.statistics.equivalence import (
    LogQuantile,
    Outcome,
    Ratio,
    Sittings,
    between_sittings,
    log_quantile,
    ratio_of_quantiles,
    ratio_of_rounds,
)
from edgereply.analysis.statistics.intervals import count_needed
from edgereply.analysis.statistics.quantile_intervals import QuantileEstimate, quantile_intervals
from edgereply.analysis.statistics.summary import QUANTILES, widened
from edgereply.comparison.entries import Entry
from edgereply.wording.numbers import ROUGH, needs_words

FIGURES: Final = ("median_ns", "p99_ns")
Kind = Literal["sittings", "setups", "rounds"]
Quantiles = Mapping[str, QuantileEstimate | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """Two sides in one figure.

    Attributes:
        first, second: short names of the runs on either side.
        kind: "sittings" of one setup, "setups", or conditions compared by "rounds".
        figure: such as "median_ns".
        difference_ns: second minus first; None where either is not known.
        ratio: second over first with its interval; None where either is not known.
        outcome: "same" within the margin, "different" by more than it, or "cannot tell".
        why_not: why nothing could be judged; "" where it could.
        sittings_in: whether the interval has in it what lies between sittings.
    """

    first: tuple[str, ...]
    second: tuple[str, ...]
    kind: Kind
    figure: str
    difference_ns: int | None
    ratio: Ratio | None
    outcome: Outcome
    why_not: str
    sittings_in: bool

    def as_dict(self) -> dict[str, Any]:
        """JSON-ready."""
        ratio = self.ratio
        known = ratio is not None and ratio.low is not None
        return {
            "first": list(self.first),
            "second": list(self.second),
            "kind": self.kind,
            "figure": self.figure,
            "difference_ns": self.difference_ns,
            "ratio": None if ratio is None else ratio.value,
            "ratio_interval": [ratio.low, ratio.high] if ratio is not None and known else None,
            "outcome": self.outcome,
            "why_not": self.why_not,
            "between_sittings_in_interval": self.sittings_in,
        }


@dataclass(frozen=True, slots=True)
class Pairs:
    """All of them.

    Attributes:
        pairs: the medians first.
        confidence: of each interval; higher than asked for where there are several pairs of a figure.
        sittings: what lies between sittings, by figure; none where no setup was measured twice.
    """

    pairs: tuple[Pair, ...]
    confidence: float
    sittings: Mapping[str, Sittings]


@dataclass(frozen=True, slots=True)
class Side:
    """Places of the entries of a setup."""

    places: tuple[int, ...]
    kind: Kind


def sides_of(entries: Sequence[Entry], one_series: bool) -> list[tuple[Side, Side]]:
    """Who is compared with whom: all that measure the same thing and were answered."""
    answered = [place for place, entry in enumerate(entries) if any(block.size for block in entry.blocks)]
    found: list[tuple[Side, Side]] = []
    for kind in dict.fromkeys(entries[place].measurand for place in answered):
        members = [place for place in answered if entries[place].measurand == kind]
        if one_series:
            found += [(Side((a,), "rounds"), Side((b,), "rounds")) for a, b in combinations(members, 2)]
            continue
        setups = _setups(entries, members)
        if len(setups) == 1:
            found += [(Side((a,), "sittings"), Side((b,), "sittings")) for a, b in combinations(members, 2)]
        found += [(Side(a, "setups"), Side(b, "setups")) for a, b in combinations(setups, 2)]
    return sorted(found, key=lambda pair: (pair[0].places, pair[1].places))


def confidence_of(pairs: int, confidence: float) -> float:
    """Of each interval, so that with this confidence all pairs of a figure are right (Bonferroni)."""
    return 1.0 - (1.0 - confidence) / max(1, pairs)


def compare_sides(
    entries: Sequence[Entry], short: Sequence[str], sides: Sequence[tuple[Side, Side]],
    estimates: Sequence[Quantiles], matters: float, confidence: float,
) -> Pairs:  # fmt: skip
    """Judge them.

    Args:
        entries: one or more.
        short: what each is called on the page.
        sides: from `sides_of`.
        estimates: from `quantiles_at`, one an entry; not looked at where sides are compared by rounds.
        matters: the smallest change that counts, a part of the whole.
        confidence: of each interval, from `confidence_of`.
    """
    pairs: list[Pair] = []
    known: dict[str, Sittings] = {}
    for figure in FIGURES if sides else ():
        by_rounds = sides[0][0].kind == "rounds"
        logs = {} if by_rounds else dict(_logs(estimates, figure))
        if not by_rounds and (found := _sittings(entries, logs)) is not None:
            known[figure] = found
        for first, second in sides:
            sittings = known.get(figure) if first.kind == "setups" else None
            if by_rounds:
                one, other = entries[first.places[0]], entries[second.places[0]]
                ratio, difference, why = _by_rounds(one, other, figure, confidence)
            else:
                ratio, difference, why = _by_quantiles(first, second, estimates, logs, figure, sittings, confidence)
                if why == ROUGH and any(entries[place].untold for place in first.places + second.places):
                    why = "answers that cannot be told could turn it"
            pairs.append(
                Pair(
                    first=tuple(short[place] for place in first.places),
                    second=tuple(short[place] for place in second.places),
                    kind=first.kind, figure=figure, difference_ns=difference, ratio=ratio,
                    outcome="cannot tell" if ratio is None else ratio.outcome(matters), why_not=why,
                    sittings_in=sittings is not None,
                )
            )  # fmt: skip
    return Pairs(tuple(pairs), confidence, known)


def quantiles_at(entry: Entry, confidence: float) -> Quantiles:
    """Each of `FIGURES` with an interval of this confidence, widened by what the instrument does not know.

    And by what the answers that cannot be told may have been: all quicker than the quantile, or all slower.
    """
    answers = entry.reaction_ns
    if not answers.size:
        return dict.fromkeys(FIGURES)
    found = quantile_intervals(answers, [QUANTILES[figure] for figure in FIGURES], confidence)
    if entry.untold:
        found = [None if one is None else _bounded(one, answers, entry.untold, confidence) for one in found]
    return {figure: widened(one, entry.known_to) for figure, one in zip(FIGURES, found, strict=True)}


def _bounded(found: QuantileEstimate, answers: Int64s, untold: int, confidence: float) -> QuantileEstimate:
    """The interval that holds whatever the untold answers were, from the quantile's places among the told then."""
    place = found.p * (answers.size + untold)
    ends = (place - untold) / answers.size, place / answers.size
    if ends[0] > 0.0 and ends[1] < 1.0:
        quick, slow = quantile_intervals(answers, ends, confidence)
        if quick is not None and slow is not None and not quick.rough and not slow.rough:
            return replace(found, low_ns=quick.low_ns, high_ns=slow.high_ns)
    return replace(found, low_ns=None, high_ns=None, rough=True)


def _setups(entries: Sequence[Entry], members: Sequence[int]) -> list[tuple[int, ...]]:
    """Members alike in every respect, together; runs of which nothing is recorded are each their own."""
    found: dict[tuple[Any, ...], list[int]] = {}
    for place in members:
        respects = entries[place].respects
        found.setdefault(tuple(sorted(respects.items())) if respects else (place,), []).append(place)
    return [tuple(places) for places in found.values()]


def _logs(estimates: Sequence[Quantiles], figure: str) -> Iterator[tuple[int, LogQuantile]]:
    for place, found in enumerate(estimates):
        one = found[figure]
        if one is not None and not one.rough and one.ends_ns is not None:
            yield place, log_quantile(one.value_ns, *one.ends_ns)


def _sittings(entries: Sequence[Entry], logs: Mapping[int, LogQuantile]) -> Sittings | None:
    setups = [
        setup
        for kind in dict.fromkeys(entries[place].measurand for place in logs)
        for setup in _setups(entries, [place for place in logs if entries[place].measurand == kind])
    ]
    return between_sittings([[logs[place].value for place in setup] for setup in setups])


def _by_quantiles(
    first: Side, second: Side, estimates: Sequence[Quantiles], logs: Mapping[int, LogQuantile], figure: str,
    sittings: Sittings | None, confidence: float,
) -> tuple[Ratio | None, int | None, str]:  # fmt: skip
    """The ratio, the difference, and why there is no interval."""
    known = [[logs[place] for place in side.places if place in logs] for side in (first, second)]
    values = [[one.value_ns for place in side.places if (one := estimates[place][figure])] for side in (first, second)]
    if not all(values):
        return None, None, needs_words(count_needed(QUANTILES[figure], confidence))
    difference = round(float(np.mean(values[1]) - np.mean(values[0])))
    if all(known):
        return ratio_of_quantiles(known[0], known[1], sittings, confidence), difference, ""
    base = float(np.mean(values[0]))
    return (Ratio(float(np.mean(values[1])) / base) if base > 0.0 else None), difference, ROUGH


def _by_rounds(one: Entry, other: Entry, figure: str, confidence: float) -> tuple[Ratio | None, int | None, str]:
    """As `_by_quantiles`, from the rounds in which both were measured."""
    common = sorted(set(one.rounds) & set(other.rounds))
    if not common:
        return None, None, "no round has both of them"
    columns: list[Floats] = []
    for entry in (one, other):
        by_round = dict(zip(entry.rounds, entry.blocks, strict=True))
        needed = count_needed(QUANTILES[figure])
        fewest = min(common, key=lambda number: by_round[number].size)
        if by_round[fewest].size < needed:
            return None, None, f"a round needs {needed:,} answers, {entry.name} has {by_round[fewest].size:,} in one"
        values = [max(1, int(quantiles(by_round[number], [QUANTILES[figure]])[0])) for number in common]
        columns.append(np.array(values, np.float64))
    ratio = ratio_of_rounds(np.log(columns[1] / columns[0]), confidence)
    difference = round(float(np.mean(columns[1] - columns[0])))
    return ratio, difference, "" if ratio.low is not None else f"needs {rounds_needed(1, confidence)} rounds"


def rounds_needed(pairs: int, confidence: float) -> int:
    """Rounds from which one of so many pairs can be judged: two chances in 2 ** rounds are below its part of the error.

    Args:
        pairs: how many are judged together.
        confidence: that all of them are right.
    """
    rounds = 1
    while 2.0 ** (1 - rounds) > (1.0 - confidence_of(pairs, confidence)) * (1.0 + 1e-12):
        rounds += 1
    return rounds
