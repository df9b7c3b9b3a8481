"""A distribution as lines of text, its bars on a logarithmic count."""

from __future__ import annotations

import math

from rich.text import Text

from edgereply.analysis.arrays.histogram import Histogram
from edgereply.wording.numbers import duration, exactly

_EIGHTHS = " ▏▎▍▌▋▊▉"


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
