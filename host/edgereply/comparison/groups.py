"""Groups of runs that were not found different, as letters, and the outcome of every pair in words."""

from collections import Counter
from collections.abc import Sequence
from typing import Final

import numpy as np

from edgereply.analysis.statistics.equivalence import Ratio
from edgereply.analysis.statistics.letters import letter_groups, letters
from edgereply.comparison.entries import Entry
from edgereply.comparison.pairs import FIGURES, Pair, Pairs
from edgereply.wording.numbers import duration, per_cent, times

# More pairs than this are counted, not told one by one.
MOST_TOLD: Final = 6
LETTERS: Final = "Groups: runs that share a letter were not found different; the letters speak of the median."
TOO_TANGLED: Final = "The differences are too tangled for letters; the JSON document has every pair."
ONE_SITTING: Final = (
    "Each was measured in one sitting: what changes from one sitting to the next (warmth, other work, a restart) is "
    "not in these ranges. Two sittings of one board lie half a per cent or two apart. To be sure, measure each again, "
    "or all in turns with a sweep."
)
# From here on a factor is easier to grasp than per cents.
_TIMES: Final = 2.0
_NAMES: Final = {"median_ns": "median", "p99_ns": "p99"}


def group(entries: Sequence[Entry], short: Sequence[str], found: Pairs) -> tuple[list[str], list[str]]:
    """Letters of everybody, the quickest first; "" where nothing could be judged.

    Args:
        entries: one or more.
        short: what each is called on the page.
        found: every pair.

    Returns:
        The letters, and what is to be said of them.
    """
    groups, taken, said = [""] * len(entries), 0, []
    place_of = {name: place for place, name in enumerate(short)}
    medians = [pair for pair in found.pairs if pair.figure == FIGURES[0]]
    judged = {place_of[name] for pair in medians if not pair.why_not for name in (*pair.first, *pair.second)}
    for kind in dict.fromkeys(entries[place].measurand for place in sorted(judged)):
        members = [place for place in sorted(judged) if entries[place].measurand == kind]
        members.sort(key=lambda place: float(np.median(entries[place].reaction_ns)))
        different = np.zeros((len(members), len(members)), np.bool_)
        for pair in medians:
            for first in (members.index(place_of[n]) for n in pair.first if place_of[n] in members):
                for second in (members.index(place_of[n]) for n in pair.second if place_of[n] in members):
                    different[first, second] |= pair.outcome == "different"
                    different[second, first] |= pair.outcome == "different"
        numbers = letter_groups(different)
        if numbers is None:
            said.append(TOO_TANGLED)
            continue
        for place, own in zip(members, numbers, strict=True):
            groups[place] = letters(own, taken)
        taken += 1 + max(max(own) for own in numbers)
    return groups, [*([LETTERS] if taken else []), *said]


def pair_sentences(found: Pairs, matters: float) -> list[str]:
    """Every pair in words, or how many of them are what where they are many."""
    if not found.pairs:
        return []
    if len(found.pairs) <= MOST_TOLD * len(FIGURES):
        return [pair_sentence(pair, matters) for pair in found.pairs]
    lines = []
    for figure in FIGURES:
        words = Counter(pair.outcome for pair in found.pairs if pair.figure == figure)
        lines.append(
            f"{_NAMES[figure]}: of {words.total():,} pairs {words['same']:,} are the same within {per_cent(matters)}, "
            f"{words['different']:,} are different, of {words['cannot tell']:,} it cannot be told; the JSON document "
            "has each."
        )
    return lines


def pair_sentence(pair: Pair, matters: float) -> str:
    """Such as "B against A, median: 1.2 % slower [0.4 % to 2 %], 301 ns: same within 5 %"; the slower one first."""
    ratio, first, second = pair.ratio, pair.first, pair.second
    if ratio is not None and ratio.value < 1.0:
        ratio, first, second = ratio.inverse(), second, first
    head = f"{' + '.join(second)} against {' + '.join(first)}, {_NAMES.get(pair.figure, pair.figure)}"
    if ratio is None or pair.difference_ns is None:
        return f"{head}: cannot tell ({pair.why_not})"
    size = "no difference"
    many = ratio.value >= _TIMES
    if pair.difference_ns:
        size = f"{times(ratio.value)} times as long" if many else f"{per_cent(ratio.change)} slower"
    if ratio.low is None or ratio.high is None:
        return f"{head}: {size}, {duration(abs(pair.difference_ns))}; cannot tell ({pair.why_not})"
    ends = " to ".join(times(end) if many else per_cent(Ratio(end).change) for end in (ratio.low, ratio.high))
    return f"{head}: {size} [{ends}], {duration(abs(pair.difference_ns))}: {outcome_words(pair, matters)}"


def outcome_words(pair: Pair, matters: float) -> str:
    """What a pair is, with the margin."""
    if pair.outcome == "same":
        return f"same within {per_cent(matters)}"
    if pair.outcome == "different":
        return f"different, by more than {per_cent(matters)}" if matters else "different"
    more = "; more sittings of each would narrow it" if pair.sittings_in else ""
    return (f"cannot tell whether by more than {per_cent(matters)}" if matters else "cannot tell") + more


def method_words(found: Pairs, matters: float) -> list[str]:
    """How pairs were judged, for who wants to know."""
    if not found.pairs:
        return []
    margin = per_cent(matters)
    by = "the ratio of the rounds" if found.pairs[0].kind == "rounds" else "the ratio of the two quantiles"
    lines = [
        f"A change of {margin} or more counts (--matters). Each pair is judged by the interval of {by}: all of it "
        f"within {margin} is the same (two one-sided tests, Schuirmann 1987), all of it beyond is different. With 95 % "
        "confidence no word on a figure is wrong, over all pairs."
    ]
    if found.confidence > 0.95 + 1e-9:
        lines.append(f"So that this holds for all pairs, each interval is one of {100 * found.confidence:.5g} %.")
    for figure, sittings in found.sittings.items():
        lines.append(
            f"Sittings of one setup lie {per_cent(sittings.std)} apart in the {_NAMES[figure]} (standard deviation, "
            f"{sittings.freedom} degrees of freedom); ranges between setups allow for that."
        )
    return lines


def sittings_words(found: Pairs) -> list[str]:
    """What is not in the intervals, where that is so."""
    return [ONE_SITTING] if any(pair.kind != "rounds" and not pair.sittings_in for pair in found.pairs) else []
