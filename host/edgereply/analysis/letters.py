"""Groups of what cannot be told apart, as letters: two that share a letter were not found different.

Source: Piepho, H.-P. (2004), Journal of Computational and Graphical Statistics 13, 456-466 (insert and absorb).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

MOST_GROUPS = 200


def letter_groups(different: NDArray[np.bool_]) -> list[tuple[int, ...]] | None:
    """Groups of each member, from who differs from whom.

    Args:
        different: shape (k, k), symmetric, False on the diagonal; members in the order in which letters are given.

    Returns:
        For each member the numbers of its groups, rising from 0. Two members share a group exactly where they are not
        different. None where it takes more groups than anybody could read (200).
    """
    count = different.shape[0]
    groups = [(1 << count) - 1] if count else []
    for first, second in zip(*np.nonzero(np.triu(different)), strict=True):
        groups = _split(groups, 1 << int(first), 1 << int(second))
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


def _split(groups: list[int], first: int, second: int) -> list[int]:
    both = first | second
    kept = [group for group in groups if group & both != both]
    for group in groups:
        if group & both == both:
            for half in (group & ~first, group & ~second):
                if not any(half & other == half for other in kept):
                    kept = [other for other in kept if other & half != other]
                    kept.append(half)
    return kept
