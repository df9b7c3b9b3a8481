"""A distribution as lines of text, its bars on a logarithmic count."""

from __future__ import annotations

import math

import numpy as np
from rich.text import Text

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.histogram import Histogram
from edgereply.wording.numbers import duration, exactly

_EIGHTHS = " ▏▎▍▌▋▊▉"
# Buckets of the running distribution: eight to an octave, up to 2 ** 63 ns.
_PER_OCTAVE = 8
_BUCKETS = 64 * _PER_OCTAVE


class RunningDistribution:
    """Counts in fixed buckets, so that a chunk costs the same however long the run is.

    Not thread-safe.
    """

    def __init__(self) -> None:
        self._counts = np.zeros(_BUCKETS, dtype=np.int64)
        self.slowest_ns: int | None = None

    def add(self, reaction_ns: Int64s) -> None:
        """Count one chunk.

        Args:
            reaction_ns: shape (n,), int64, nanoseconds; values below 1 count as 1.
        """
        if reaction_ns.size == 0:
            return
        octaves = np.log2(np.maximum(reaction_ns, 1))
        self._counts += np.bincount((octaves * _PER_OCTAVE).astype(np.int64), minlength=_BUCKETS)[:_BUCKETS]
        slowest = int(reaction_ns.max())
        self.slowest_ns = slowest if self.slowest_ns is None else max(self.slowest_ns, slowest)

    def histogram(self, bins: int) -> Histogram:
        """What was counted so far, neighbouring buckets joined.

        Args:
            bins: most bins wanted, at least 1.

        Returns:
            The occupied range in at most `bins` bins; empty before the first value.
        """
        occupied = np.flatnonzero(self._counts)
        if occupied.size == 0:
            return Histogram(edges_ns=np.empty(0, np.int64), counts=np.empty(0, np.int64), scale="log")
        first, last = int(occupied[0]), int(occupied[-1])
        step = -(-(last - first + 1) // bins)
        starts = np.arange(first, last + 1, step)
        edges = np.rint(2.0 ** (np.append(starts, starts[-1] + step) / _PER_OCTAVE)).astype(np.int64)
        return Histogram(edges_ns=edges, counts=np.add.reduceat(self._counts[: last + 1], starts), scale="log")


def histogram_lines(
    histogram: Histogram, width: int = 40, deadline_ns: int | None = None, plain: bool = False
) -> list[Text]:
    """One line a bin: its start, a bar, its count; a rule where the deadline falls.

    Args:
        histogram: edges and counts.
        width: characters of the longest bar, at least 1.
        deadline_ns: latest useful answer, or None.
        plain: True for a terminal that knows ASCII only.

    Returns:
        The lines, without line ends. A bar grows with the logarithm of the count, so that a single
        late answer among a million is still a mark of its own.
    """
    edges, counts = histogram.edges_ns.tolist(), histogram.counts.tolist()
    if not counts:
        return [Text("no answer yet", style="dim")]
    top = math.log10(max(counts)) + 1
    labels = [duration(edge) for edge in edges[:-1]]
    margin = max(len(label) for label in labels)
    lines: list[Text] = []
    for label, start, end, count in zip(labels, edges[:-1], edges[1:], counts, strict=True):
        late = deadline_ns is not None and start > deadline_ns
        length = width * (math.log10(count) + 1) / top if count else 0.0
        line = Text(f"{label:>{margin}} ")
        line.append(_bar(length, plain), style="bold red" if late else "cyan")
        line.append(f" {count:,}" + (" late" if late and count else ""), style="" if count else "dim")
        lines.append(line)
        if deadline_ns is not None and start <= deadline_ns < end:
            lines.append(_rule(margin, width, f"deadline {exactly(deadline_ns)} lies in the line above", plain))
    return lines


def bar_note(histogram: Histogram) -> str:
    """How to read the bars."""
    answers = int(histogram.counts.sum())
    return f"{answers:,} answers; each line starts at its time, bars grow with the logarithm of the count"


def _bar(length: float, plain: bool) -> str:
    if length <= 0:
        return "." if plain else "·"
    if plain:
        return "#" * max(1, round(length))
    eighths = max(1, round(length * 8))
    return "█" * (eighths // 8) + _EIGHTHS[eighths % 8].strip()


def _rule(margin: int, width: int, words: str, plain: bool) -> Text:
    dash = "-" if plain else "╌"
    return Text(f"{' ' * margin} {dash * max(3, width - len(words) - 1)} {words}", style="red")
