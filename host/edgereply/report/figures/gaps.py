"""The share of pairs that were answered in full, against the gap between their two edges."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from edgereply.analysis.lateness.dead_time import SHARE, GapStep
from edgereply.evaluation.gaps import Gaps, gap_words
from edgereply.evaluation.run_view import RunView, letter
from edgereply.report.figures import style
from edgereply.report.figures.drawing import Axis, Curve, Drawing, Flag, Item, Panel, Points
from edgereply.report.figures.readings import MOST_TOLD, Reading
from edgereply.wording.numbers import clean, duration, percentage

_HEADER: Final = ("gap", "pairs", "answered", "95 % interval", "late", "one answer for both", "no answer", "not known")


def gaps(views: Sequence[RunView]) -> Drawing | None:
    """A point a gap with its exact 95 % interval, a curve a run; where a dead time is proven, a line at it.

    Args:
        views: runs of any pattern; only those with pairs are drawn.

    Returns:
        The figure, or None where no run has pairs.
    """
    found = _with_pairs(views)
    if not found:
        return None
    size, unit = style.unit_of([view.answers() for _, view, _ in found])
    low = min(item.steps[0].low_ns for _, _, item in found)
    high = max(item.steps[-1].high_ns for _, _, item in found)
    items: list[Item] = []
    for index, view, item in found:
        color, name = style.color(index), style.label(view, index) if len(found) > 1 else ""
        x = [_middle(step) / size for step in item.steps]
        y = [100 * step.answered / step.pairs for step in item.steps]
        items.append(Curve(x=x, y=y, color=color, dash=style.dash(index), width=1.0))
        items.append(
            Points(
                x=x,
                y=y,
                color=color,
                symbol=style.marker(index),
                size=7,
                name=name,
                low=[100 * step.interval.low for step in item.steps],
                high=[100 * step.interval.high for step in item.steps],
                hover=[f"{clean(view.title)}: {_words(step)}" for step in item.steps],
            )
        )
    flags = _flags(found, size)
    left, right = low / 1.15 / size, high * 1.15 / size
    x_axis = Axis(
        title=f"gap between the two edges ({unit})", low=left, high=right, log=True, ticks=style.log_ticks(left, right)
    )
    y_axis = Axis(title="both answered (%)", low=-4, high=104, ticks=tuple((v, str(v)) for v in (0, 25, 50, 75, 100)))
    panel = Panel(x=x_axis, y=y_axis, items=tuple(items), flags=flags, height=320)
    notes = [f"Bars: exact 95 % intervals. Dead time: from there on at least {percentage(SHARE)} are answered."]
    if others := len(views) - len(found):
        notes.append(f"{others} of {len(views)} runs had no pairs and are not in this figure.")
    return Drawing(
        panels=(panel,),
        measured_by=style.measured_words([view for _, view, _ in found]),
        notes=tuple(notes),
        key=len(found) > 1,
    )


def _flags(found: Sequence[tuple[int, RunView, Gaps]], size: int) -> tuple[Flag, ...]:
    """A line at each dead time, once where several runs have the same; without words where they would be too many."""
    at: dict[int, list[int]] = {}
    for index, _, item in found:
        if item.dead_time.gap_ns is not None:
            at.setdefault(item.dead_time.gap_ns, []).append(index)
    flags = []
    for gap_ns, who in at.items():
        whose = f"{', '.join(map(letter, who))}: " if len(found) > 1 and len(who) <= MOST_TOLD else ""
        text = f"{whose}dead time {duration(gap_ns)}" if len(at) <= MOST_TOLD else ""
        flags.append(Flag(at=gap_ns / size, text=text, color=style.color(who[0]), dash="dash"))
    return tuple(flags)


def read_gaps(views: Sequence[RunView]) -> Reading:
    """The same as sentences and a table, a row a gap."""
    found = _with_pairs(views)
    several = len(found) > 1
    told = [(f"{letter(index)}: " if several else "") + " ".join(item.sentences()) for index, _, item in found]
    rows = tuple(
        ((f"{letter(index)}: " if several else "") + gap_words(step.low_ns, step.high_ns), *_cells(step))
        for index, _, item in found
        for step in item.steps
    )
    return Reading(" ".join(told), _HEADER, rows)


def _with_pairs(views: Sequence[RunView]) -> list[tuple[int, RunView, Gaps]]:
    return [(index, view, view.gaps) for index, view in enumerate(views) if view.gaps is not None]


def _middle(step: GapStep) -> float:
    return float((step.low_ns * step.high_ns) ** 0.5)


def _cells(step: GapStep) -> tuple[str, ...]:
    interval = step.interval
    return (
        f"{step.pairs:,}", f"{step.answered:,}", f"{percentage(interval.low)} to {percentage(interval.high)}",
        f"{step.late:,}", f"{step.coalesced:,}", f"{step.missed:,}", f"{step.unknown:,}",
    )  # fmt: skip


def _words(step: GapStep) -> str:
    return f"{gap_words(step.low_ns, step.high_ns)}: {step.answered:,} of {step.pairs:,} pairs answered"
