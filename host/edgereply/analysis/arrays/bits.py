"""One mark a value, an eighth of a byte each: whether answers lie above a threshold, in order of time.

Counts and lagged products of ten million marks take milliseconds, and a hundred million of them 12.5 MB.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from edgereply.analysis.arrays.aliases import Bools, Int64s, Uint8s

_WORD = 64


@dataclass(frozen=True, slots=True, eq=False)
class Bits:
    """Marks in order.

    Attributes:
        words: shape (count // 64 + 2,), uint64, the first mark in the lowest bit; zero behind the last mark.
        count: number of marks.
        running: shape (count // 64 + 3,), int64, how many are set before each word, and in all.
    """

    words: NDArray[np.uint64]
    count: int
    running: Int64s = field(init=False)

    def __post_init__(self) -> None:
        running = np.zeros(self.words.size + 1, np.int64)
        np.cumsum(np.bitwise_count(self.words), out=running[1:])
        object.__setattr__(self, "running", running)

    @property
    def ones(self) -> int:
        """How many are set."""
        return int(self.running[-1])

    def before(self, places: Int64s) -> Int64s:
        """How many are set before each place.

        Args:
            places: shape (k,), int64, 0 to count.

        Returns:
            Shape (k,), int64.
        """
        word, rest = places // _WORD, (places % _WORD).astype(np.uint64)
        below = (np.uint64(1) << rest) - np.uint64(1)
        return np.asarray(self.running[word] + np.bitwise_count(self.words[word] & below), np.int64)

    def together(self, other: Bits, lag: int) -> int:
        """How many of these are set with the other's mark `lag` places later set too.

        Args:
            other: as many marks.
            lag: 0 to 63.
        """
        later = other.words[:-1]
        if lag:
            later = (later >> np.uint64(lag)) | (other.words[1:] << np.uint64(_WORD - lag))
        return int(np.bitwise_count(self.words[:-1] & later).sum(dtype=np.int64))

    def values(self, start: int, stop: int) -> Uint8s:
        """Marks from one place up to another as 0 and 1."""
        first = start // _WORD
        raw = self.words[first : stop // _WORD + 1].astype("<u8").view(np.uint8)
        return np.unpackbits(raw, bitorder="little")[start - first * _WORD : stop - first * _WORD]

    def places(self) -> Int64s:
        """Where marks are set, shape (ones,), int64, rising."""
        words = np.flatnonzero(self.words)
        raw = self.words[words].astype("<u8").view(np.uint8)
        # In one dimension and as truth values: numpy's search has a fast path for these only.
        found = np.flatnonzero(np.unpackbits(raw, bitorder="little").view(np.bool_))
        return np.asarray(words[found // _WORD] * _WORD + found % _WORD, np.int64)


def pack(marks: Bools) -> Bits:
    """Pack marks, shape (n,), bool."""
    return _from_bytes(np.packbits(marks, bitorder="little"), marks.size)


def join_bits(parts: Sequence[Bits]) -> Bits:
    """All marks of several, one after another."""
    count = sum(part.count for part in parts)
    words = np.zeros(count // _WORD + 2, np.uint64)
    at = 0
    for part in parts:
        word, shift = at // _WORD, np.uint64(at % _WORD)
        taken = part.words[: part.count // _WORD + 1]
        words[word : word + taken.size] |= taken << shift
        if shift:
            words[word + 1 : word + 1 + taken.size] |= taken >> (np.uint64(_WORD) - shift)
        at += part.count
    return Bits(words, count)


def _from_bytes(packed: Uint8s, count: int) -> Bits:
    raw = np.zeros((count // _WORD + 2) * (_WORD // 8), np.uint8)
    raw[: packed.size] = packed
    return Bits(raw.view("<u8").astype(np.uint64, copy=False), count)
