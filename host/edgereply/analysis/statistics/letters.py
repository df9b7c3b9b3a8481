"""Groups of what cannot be told apart, as letters: two that share a letter were not found different.

Sources: Piepho, H.-P. (2004), Journal of Computational and Graphical Statistics 13, 456-466 (what the letters mean);
Tomita, E., Tanaka, A. and Takahashi, H. (2006), Theoretical Computer Science 363, 28-42 (all largest sets of members of
which no two differ, found with a pivot).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import islice

import numpy as np

from edgereply.analysis.arrays.aliases import Bools

MOST_GROUPS = 200


def letter_groups(different: Bools) -> list[tuple[int, ...]] | None:
    """Groups of each member, from who differs from whom.

    Args:
        different: shape (k, k), symmetric, False on the diagonal; members in the order in which letters are given.

    Returns:
        For each member the numbers of its groups, rising from 0. Two members share a group exactly where they are not
        different. None where it takes more groups than anybody could read (200).
    """
    count = different.shape[0]
    alike = [sum(1 << int(other) for other in np.flatnonzero(~row)) & ~(1 << n) for n, row in enumerate(different)]
    groups = list(islice(_largest(alike, 0, (1 << count) - 1, 0), MOST_GROUPS + 1)) if count else []
    if len(groups) > MOST_GROUPS:
        return None
    members = [[place for place in range(count) if group >> place & 1] for group in groups]
    members.sort()
    return [tuple(n for n, group in enumerate(members) if place in group) for place in range(count)]


def letters(groups: Sequence[int], first: int = 0) -> str:
    """Group numbers as letters: "a", "bc"; past z they are numbered: "a2".

    Args:
        groups: of one member.
        first: letters taken before.
    """
    words = [chr(ord("a") + (n + first) % 26) + (str((n + first) // 26 + 1) if n + first >= 26 else "") for n in groups]
    return (" " if any(len(word) > 1 for word in words) else "").join(words)


def _largest(alike: Sequence[int], group: int, open_: int, done: int) -> Iterator[int]:
    """Sets that no further member fits into, as bits: the group with some of the open ones, and none of those done."""
    if not open_ | done:
        yield group
        return
    pivot = max(_members(open_ | done), key=lambda n: (open_ & alike[n]).bit_count())
    for n in _members(open_ & ~alike[pivot]):
        yield from _largest(alike, group | 1 << n, open_ & alike[n], done & alike[n])
        open_ &= ~(1 << n)
        done |= 1 << n


def _members(bits: int) -> Iterator[int]:
    while bits:
        last = bits & -bits
        yield last.bit_length() - 1
        bits ^= last
