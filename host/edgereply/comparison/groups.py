"""Who is really different from whom: every pair of runs or conditions tested, and letters for those not told apart."""

from collections.abc import Sequence

import numpy as np

from edgereply.analysis.arrays.aliases import Floats, Int64s
from edgereply.analysis.statistics.block_differences import compare_blocks
from edgereply.analysis.statistics.letters import letter_groups, letters
from edgereply.analysis.statistics.multiple_tests import holm
from edgereply.analysis.statistics.placement import place_all
from edgereply.comparison.entries import Entry
from edgereply.wording.numbers import listing

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
UNTESTED = "Not tested, since slow answers came in groups: {who}; measure longer."
TOO_TANGLED = "The differences are too tangled for letters; the JSON document has the p-value of every pair."
# A round without one answer is slower than any; small enough that thousands of them still add up in 64 bits.
_NEVER_NS = 2**50


def group(
    entries: Sequence[Entry], counts: Sequence[float], short: Sequence[str], one_series: bool, confidence: float
) -> tuple[list[str], list[str], dict[tuple[str, str], float]]:
    """Test every pair of those that measure the same.

    Args:
        entries: one or more.
        counts: how many independent answers each one's are worth; not looked at in one series.
        short: what each is called on the page.
        one_series: they are the conditions of one series, so that rounds can be compared with each other.
        confidence: 1 minus the chance of any false difference.

    Returns:
        Letters of everybody's groups, "" where it was not tested; how they were found, or why there are none; and the
        p-value of each pair tested, adjusted.
    """
    groups, method, p_adjusted, taken = [""] * len(entries), [], {}, 0
    samples = [entry.reaction_ns for entry in entries]
    answered = [place for place, sample in enumerate(samples) if sample.size]
    for kind in dict.fromkeys(entries[place].measurand for place in answered):
        members = [place for place in answered if entries[place].measurand == kind]
        if untested := [place for place in members if not one_series and counts[place] <= 0.0]:
            members = [place for place in members if place not in untested]
            method.append(UNTESTED.format(who=listing([short[place] for place in untested])))
        if len(members) < 2:
            continue
        p_values, words = (
            _by_rounds([entries[place] for place in members], confidence) if one_series
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


def _by_rounds(taking: Sequence[Entry], confidence: float) -> tuple[Floats | None, str]:
    """Holm-adjusted p-values of all pairs of conditions, and how they were found, or why there are none."""
    pairs = len(taking) * (len(taking) - 1) // 2
    common = sorted(set.intersection(*(set(entry.rounds) for entry in taking)))
    needed = rounds_needed(pairs, confidence)
    if len(common) < needed:
        return None, FEW_ROUNDS.format(rounds=len(common), pairs=pairs, needed=needed)
    tested = compare_blocks({str(n): _medians(entry, common) for n, entry in enumerate(taking)}, confidence)
    words = BLOCKS.format(alpha=1.0 - confidence, bulk=BULK)
    return _square([item.p_adjusted for item in tested], len(taking)), words


def _by_ranks(samples: Sequence[Int64s], worth: Sequence[float], confidence: float) -> tuple[Floats, str]:
    """Holm-adjusted p-values of all pairs of samples worth so many independent answers, and how they were found."""
    flat = place_all(samples, worth).p_values[np.triu_indices(len(samples), 1)]
    return _square(holm(flat.tolist()), len(samples)), RANKS.format(alpha=1.0 - confidence, bulk=BULK)


def _square(flat: Sequence[float], count: int) -> Floats:
    square = np.ones((count, count))
    square[np.triu_indices(count, 1)] = flat
    return np.minimum(square, square.T)


def _medians(entry: Entry, rounds: Sequence[int]) -> Int64s:
    by_round = dict(zip(entry.rounds, entry.blocks, strict=True))
    return np.array([int(np.median(by_round[n])) if by_round[n].size else _NEVER_NS for n in rounds], np.int64)
