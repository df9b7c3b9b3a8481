"""What the page shows before anything else: the verdict in a sentence, one bar a condition, the table for a slide.

It is plain markup with positions in per cent: seen at once, without a script, on paper, and read out in order.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from edgereply.comparison.compare import Comparison
from edgereply.evaluation.run_view import RunView, letter
from edgereply.report.figures.boards import Bar, bar_axis, bars
from edgereply.report.figures.drawing import Axis
from edgereply.report.figures.style import color
from edgereply.report.tables.answer import AnswerOutcome, answer
from edgereply.report.tables.boards import BoardTable, board_table
from edgereply.wording.numbers import exactly, listing

# Ticks closer than this, in per cent of the bar's room, run into each other on a telephone.
_APART = 17.0


@dataclass(frozen=True, slots=True)
class PlacedBar:
    """A bar with its places in per cent of its room; None where there is none.

    Attributes:
        bar: what it shows.
        color: name in the palette.
        left, width: of the bar.
        dot: of the typical answer.
        limit: of the deadline.
    """

    bar: Bar
    color: str
    left: float | None
    width: float | None
    dot: float | None
    limit: float | None


@dataclass(frozen=True, slots=True)
class FirstScreen:
    """The first screen.

    Attributes:
        outcome: of the deadline, over all runs.
        verdict: one sentence.
        counts: how many were late, missed and not matched.
        bars: one a run.
        ticks: place in per cent and words.
        unit_words: title of the axis.
        limits: place in per cent and words of every deadline.
        table: for a slide.
    """

    outcome: AnswerOutcome
    verdict: str
    counts: str
    bars: tuple[PlacedBar, ...]
    ticks: tuple[tuple[float, str], ...]
    unit_words: str
    limits: tuple[tuple[float, str], ...]
    table: BoardTable


def first_screen(views: Sequence[RunView], comparison: Comparison | None) -> FirstScreen:
    """Make it.

    Args:
        views: the runs.
        comparison: the same runs compared; None for a single one.
    """
    found = bars(views)
    axis, size = bar_axis(found)
    outcome, sentence = verdict_sentence(views)
    limits = dict.fromkeys(bar.deadline_ns for bar in found if bar.deadline_ns is not None)
    return FirstScreen(
        outcome,
        sentence,
        counts_sentence(views),
        tuple(_placed(bar, index, axis, size) for index, bar in enumerate(found)),
        _ticks(axis),
        axis.title,
        tuple((_percent(axis, limit / size), f"deadline {exactly(limit)}") for limit in limits),
        board_table(views, comparison),
    )


def verdict_sentence(views: Sequence[RunView]) -> tuple[AnswerOutcome, str]:
    """Whether the deadlines are kept, and by whom.

    Args:
        views: the runs.

    Returns:
        "fail" where any is not kept, "pass" where all are, "open" otherwise; and one sentence.
    """
    if len(views) == 1:
        only = answer(views[0])
        return only.outcome, only.headline
    judged = {"pass": "kept by", "fail": "not kept by", "not enough data": "not enough answers of"}
    limits = list(dict.fromkeys(view.deadline_ns for view in views if view.deadline_ns is not None))
    if not limits:
        return "open", "No deadline was set."
    if all(view.judged == "fail" for view in views):
        # "Not kept by all" may be read as "kept by some".
        return "fail", f"{_deadline_words(limits)}: kept by none of the {len(views)}."
    parts = []
    for kind, words in judged.items():
        who = [index for index, view in enumerate(views) if view.judged == kind]
        if who:
            parts.append(f"{words} {_who(who, len(views))}")
    rest = [index for index, view in enumerate(views) if view.judged not in judged]
    if rest:
        parts.append(f"not judged: {_who(rest, len(views))}")
    whole: AnswerOutcome = "open"
    if any(view.judged == "fail" for view in views):
        whole = "fail"
    elif all(view.judged == "pass" for view in views):
        whole = "pass"
    return whole, f"{_deadline_words(limits)}: {'; '.join(parts)}."


def _deadline_words(limits: Sequence[int]) -> str:
    return f"Deadline {exactly(limits[0])}" if len(limits) == 1 else "Deadlines"


def counts_sentence(views: Sequence[RunView]) -> str:
    """Late, missed and not matched stimuli of all runs: the first thing to know beside the verdict."""
    stimuli = sum(view.stimuli for view in views)
    counted = [
        ("missed", sum(view.counts.get("missed", 0) for view in views)),
        ("not matched", sum(view.counts.get("ambiguous", 0) for view in views)),
    ]
    if any(view.deadline_ns is not None for view in views):
        counted.insert(0, ("late", sum(int(view.late().sum()) for view in views)))
    told = [f"{count:,} {word}" for word, count in counted if count or word != "not matched"]
    return f"{listing(told)} of {stimuli:,} stimuli"


def _who(indices: Sequence[int], total: int) -> str:
    if len(indices) == total:
        return "both" if total == 2 else f"all {total}"
    if len(indices) > 6:
        return f"{len(indices)} of {total}"
    return listing([letter(index) for index in indices])


def _percent(axis: Axis, value: float) -> float:
    return round(100 * min(1.0, max(0.0, axis.share(value))), 3)


def _placed(bar: Bar, index: int, axis: Axis, size: int) -> PlacedBar:
    place = [
        None if value is None else _percent(axis, value / size)
        for value in (bar.best_ns, bar.typical_ns, bar.worst_ns, bar.deadline_ns)
    ]
    left, dot, right, limit = place
    width = None if left is None or right is None else round(max(0.4, right - left), 3)
    return PlacedBar(bar, color(index), left, width, dot, limit)


def _ticks(axis: Axis) -> tuple[tuple[float, str], ...]:
    ticks = axis.ticks
    if not ticks:
        ends = [axis.low + (axis.high - axis.low) * part for part in (0.1, 0.5, 0.9)]
        ticks = tuple((float(f"{end:.2g}"), f"{float(f'{end:.2g}'):,.10g}") for end in ends)
    kept: list[tuple[float, str]] = []
    # Round ones first: 1, then 5, then 2.
    for at, word in sorted(ticks, key=lambda tick: "152".find(f"{tick[0]:e}"[0]) if axis.log else 0):
        place = _percent(axis, at)
        if 3 <= place <= 97 and all(abs(place - other) >= _APART for other, _ in kept):
            kept.append((place, word))
    return tuple(sorted(kept))
