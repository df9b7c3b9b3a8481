"""One bar a board or condition: best, typical and worst reaction time on one axis, with the deadline."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from edgereply.evaluation.run_view import RunView, letter
from edgereply.report.figures import style
from edgereply.report.figures.drawing import Axis, Curve, Drawing, Item, Panel, Points, Words
from edgereply.wording.numbers import clean, distinct, unit_for

# Of more bars than this the numbers stand at the end of each row instead of at the marks.
_SPACED = 7


@dataclass(frozen=True, slots=True)
class Bar:
    """One bar.

    Attributes:
        name: with its letter where there are several.
        best_ns, typical_ns, worst_ns: None where nothing was answered, or too little for a median.
        words: the three as text; "" for None.
        deadline_ns: None without one.
        unanswered: stimuli without an answer of their own.
        stimuli: number of stimuli.
    """

    name: str
    best_ns: int | None
    typical_ns: int | None
    worst_ns: int | None
    words: tuple[str, str, str]
    deadline_ns: int | None
    unanswered: int
    stimuli: int


def bars(views: Sequence[RunView]) -> list[Bar]:
    """The bars, in the order of the runs."""
    made = []
    for index, view in enumerate(views):
        reaction = view.summary.get("reaction") or {}
        ends = [reaction.get(key) for key in ("min_ns", "median_ns", "max_ns")]
        known = distinct(*[end for end in ends if end is not None])
        words = [known.pop(0) if end is not None else "" for end in ends]
        name = f"{letter(index)}  {clean(view.title)}" if len(views) > 1 else clean(view.title)
        lost = view.stimuli - int(view.answers().size)
        told = (words[0], words[1], words[2])
        made.append(Bar(name, ends[0], ends[1], ends[2], told, view.deadline_ns, lost, view.stimuli))
    return made


def bar_axis(found: Sequence[Bar]) -> tuple[Axis, int]:
    """The axis that holds all bars and deadlines, and nanoseconds a unit of it."""
    values = [value for bar in found for value in (bar.best_ns, bar.worst_ns, bar.deadline_ns) if value is not None]
    size, unit = unit_for(sorted(values)[len(values) // 2] if values else 1)
    low, high = min(values, default=1), max(values, default=1)
    return style.time_axis(f"reaction time ({unit})", low, high, size, log=low > 0, room=0.06), size


def boards(views: Sequence[RunView]) -> Drawing:
    """A bar for every board or condition, with its numbers.

    Args:
        views: the runs.

    Returns:
        The figure.
    """
    found = bars(views)
    axis, size = bar_axis(found)
    close = len(found) > _SPACED
    if axis.log:
        # Room for the numbers beside the ends of the bars.
        stretch = (axis.high / axis.low) ** (0.0 if close else 0.16)
        low = axis.low / stretch
        high = axis.high * (stretch if not close else (axis.high / axis.low) ** 0.5)
        axis = Axis(title=axis.title, low=low, high=high, log=True, ticks=style.log_ticks(low, axis.high))
    total = len(found)
    items: list[Item] = []
    for index, bar in enumerate(found):
        items += _bar(bar, index, total - index - 0.5, size, close)
        if close:
            items.append(
                Words(
                    x=axis.high, y=total - index - 0.5, text=" / ".join(word or "–" for word in bar.words), side="left"
                )
            )
    y = Axis(
        low=0,
        high=total,
        fixed=True,
        lines=False,
        ticks=tuple((total - i - 0.5, clean(bar.name, 30)) for i, bar in enumerate(found))[::-1],
    )
    flags = tuple(style.deadline(limit, size) for limit in style.unlike_deadlines(views))
    notes = [
        "Bar: best to worst answer; mark: typical (median)."
        if not close
        else "Bar: best to worst answer; mark: typical (median). Numbers: best, typical, worst."
    ]
    panel = Panel(x=axis, y=y, items=tuple(items), flags=flags, height=30 + (28 if close else 58) * total, rows=total)
    return Drawing(panels=(panel,), measured_by=style.measured_words(views), notes=(*notes, *style.left_out(views)))


def _bar(bar: Bar, index: int, y: float, size: int, close: bool) -> list[Item]:
    if bar.best_ns is None or bar.worst_ns is None:
        return []
    color = style.color(index)
    best, worst = bar.best_ns / size, bar.worst_ns / size
    items: list[Item] = [Curve(x=[best, worst], y=[y, y], color=color, width=9 if close else 16)]
    if bar.typical_ns is not None:
        items.append(Points(x=[bar.typical_ns / size], y=[y], color="ink", symbol="square", size=7 if close else 10))
        if not close:
            items.append(Words(x=bar.typical_ns / size, y=y, text=bar.words[1], side="center", lift=1.05, bold=True))
    if not close:
        items.append(Words(x=best, y=y, text=bar.words[0], side="left"))
        items.append(Words(x=worst, y=y, text=bar.words[2], side="right"))
    return items
