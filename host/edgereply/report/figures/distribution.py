"""All answers of a run at once: how often each reaction time happened, and the slowest answers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from edgereply.analysis.arrays.aliases import Floats, Int64s
from edgereply.analysis.statistics.intervals import clopper_pearson
from edgereply.evaluation.run_view import RunView, letter
from edgereply.report.figures import density, style
from edgereply.report.figures.drawing import Axis, Curve, Drawing, Flag, Heat, Item, Panel, Points, steps
from edgereply.wording.numbers import duration

# With words at every mark so many runs fit below each other; of more, only the deadline is written out.
_WORDED: Final = 2
# Where marks have no words, a panel is so many times as high as its highest step (log counts).
_ABOVE: Final = 4
# More panels than this cannot be taken in: each run becomes a row of its own.
MOST_PANELS: Final = 6
_FOOT: Final = 0.5
_SYMBOLS: Final = (
    ("best", "min_ns", "bar"),
    ("median", "median_ns", "circle"),
    ("p99", "p99_ns", "diamond"),
    ("worst", "max_ns", "cross"),
)


def distribution(views: Sequence[RunView]) -> Drawing:
    """How often each reaction time happened, with marks at the best, median, p99 and worst answer and the deadline.

    Args:
        views: the runs, one below the other on one axis of time: as steps, or as rows of brightness where they are
            many.

    Returns:
        The figure.
    """
    samples = [view.answers() for view in views]
    size, unit = style.unit_of(samples)
    edges, log = density.shared_edges(samples, density.DRAWN_BINS)
    limits = style.unlike_deadlines(views)
    ends: list[int] = [*edges[:1].tolist(), *edges[-1:].tolist(), *limits]
    reached = [value for view in views for value in style.reach(view)]
    # A deadline far beyond the answers asks for log time as much as a late answer does.
    log = log or (min(reached, default=0) > 0 and max(reached) >= style.LOG_FROM_RATIO * min(reached))
    axis = style.time_axis(
        f"reaction time ({unit})", max(min(ends, default=0), 1 if log else -(2**62)), max(ends, default=1), size, log
    )
    counts = [density.counts_between(sample, edges) if sample.size else np.empty(0, np.int64) for sample in samples]
    if len(views) > MOST_PANELS:
        return _rows(views, edges / size, counts, axis, size)
    y = style.count_axis("answers a bin", max((int(count.max()) for count in counts if count.size), default=1))
    worded = len(views) <= _WORDED
    if not worded:  # room for the marks above the steps
        y = replace(y, high=_ABOVE * y.high)
    panels = []
    for index, (view, count) in enumerate(zip(views, counts, strict=True)):
        flags = style.marks(view, size, worded)
        if not worded:
            flags = [flag for flag in flags if flag.color == "deadline"]
            if index == 0 or view.deadline_ns != views[index - 1].deadline_ns:
                flags = [style.deadline(view.deadline_ns, size)] if view.deadline_ns is not None else []
        items: list[Item] = [_outline(edges, size, count, index)] if count.size else []
        if not worded:
            items += _symbols([(index, view, y.high / 2)], size, named=index == 0)
        panels.append(
            Panel(
                x=axis,
                y=y,
                items=tuple(items),
                flags=tuple(flags),
                title=style.title(views, index, 0),
                height=300 if len(views) == 1 else 170 if worded else 110,
            )
        )
    notes = [*style.left_out(views), *(_too_few(views) if worded else [])]
    return Drawing(
        panels=tuple(panels),
        measured_by=style.measured_words(views),
        notes=tuple(notes),
        switches=("x", "y"),
        key=not worded,
    )


def _outline(edges: Int64s, size: int, counts: Int64s, index: int) -> Curve:
    # From the first answer to the last; what is empty between them lies on the floor, so that no line breaks off.
    some = np.flatnonzero(counts)
    part = slice(int(some[0]), int(some[-1]) + 1)
    edges, counts = edges[part.start : part.stop + 1], counts[part]
    x, y = steps(edges / size, np.maximum(counts, _FOOT), _FOOT)
    said = [
        f"{duration(low)} to {duration(high)}: {count:,}"
        for low, high, count in zip(edges[:-1].tolist(), edges[1:].tolist(), counts.tolist(), strict=True)
    ]
    hover = ["", *(text for text in said for _ in range(2)), ""]
    return Curve(x=x, y=y, color=style.color(index), filled=True, hover=hover)


def _too_few(views: Sequence[RunView]) -> list[str]:
    takes = {(view.summary.get("reaction") or {}).get("needed", {}).get("p99_ns") for view in views} - {None, 0}
    return [f"No mark at p99: it needs {max(takes):,} answers."] if takes else []


def _rows(views: Sequence[RunView], edges: Floats, counts: Sequence[Int64s], axis: Axis, size: int) -> Drawing:
    """Every run a row, the first on top."""
    total = len(views)
    grid = np.zeros((total, max(1, edges.size - 1)), np.int64)
    for index, count in enumerate(counts):
        if count.size:
            grid[total - 1 - index] = count
    # The lowest fifth of a row stays free for the marks.
    y = Axis(
        low=0,
        high=total,
        lines=False,
        fixed=True,
        ticks=tuple((total - index - 0.5, style.label(view, index, 28)) for index, view in enumerate(views))[::-1],
    )
    heat = [Heat(x_edges=edges, y_edges=np.arange(total + 1, dtype=np.float64), counts=grid)] if edges.size else []
    marks = _symbols([(index, view, total - index - 0.5) for index, view in enumerate(views)], size, named=True)
    flags = tuple(style.deadline(limit, size) for limit in style.unlike_deadlines(views))
    panel = Panel(x=axis, y=y, items=(*heat, *marks), flags=flags, height=26 * total, rows=total)
    return Drawing(
        panels=(panel,), measured_by=style.measured_words(views), notes=tuple(style.left_out(views)), key=True
    )


def _symbols(placed: Sequence[tuple[int, RunView, float]], size: int, named: bool) -> list[Points]:
    """The marks of several runs as symbols, explained in the key."""
    found = []
    for word, key, symbol in _SYMBOLS:
        at = [((view.summary.get("reaction") or {}).get(key), index, height) for index, view, height in placed]
        known = [(value, index, height) for value, index, height in at if value is not None]
        if known:
            found.append(
                Points(
                    x=[value / size for value, _, _ in known],
                    y=[height for _, _, height in known],
                    color="ink",
                    symbol=symbol,
                    size=9,
                    name=word if named else "",
                    hover=[f"{letter(index)} {word} {duration(value)}" for value, index, _ in known],
                )
            )
    return found


def tail(views: Sequence[RunView]) -> Drawing:
    """Share of stimuli not answered within a time, both axes logarithmic, with 95 % limits.

    Args:
        views: the runs, laid over each other.

    Returns:
        The figure; missed stimuli never count as answered, so a curve may end above its last step.
    """
    size, unit = style.unit_of([view.answers() for view in views])
    reached = [value for view in views for value in style.reach(view)]
    low, high = max(1, min(reached, default=1)), max(1, *reached, 1)
    axis = style.time_axis(f"time after the stimulus ({unit})", low, high, size, log=True)
    least = 1 / max(1, *(view.stimuli for view in views), 1)
    powers = range(int(np.floor(np.log10(least))), 1)
    y = Axis(
        title="not answered yet",
        low=least * 0.6,
        high=1.3,
        log=True,
        ticks=tuple((10.0**p, "all" if p == 0 else f"1 in {10**-p:,}") for p in powers),
    )
    items: list[Item] = []
    for index, view in enumerate(views):
        curve = density.exceedance(view.reaction_ns, view.stimuli)
        if curve.at_ns.size:
            items += _fall(views, index, curve, size, y.low)
    flags = [
        Flag(at=limit / size, text=style.deadline(limit, size).text, color="deadline", dash="dash")
        for limit in style.unlike_deadlines(views)
    ]
    notes = ["Dotted: 95 % limits, for each point by itself."] if items else []
    panel = Panel(x=axis, y=y, items=tuple(items), flags=tuple(flags), height=330)
    return Drawing(
        panels=(panel,),
        measured_by=style.measured_words(views),
        notes=tuple(notes),
        switches=("x", "y"),
        key=len(views) > 1,
    )


def _fall(views: Sequence[RunView], index: int, curve: density.Exceedance, size: int, foot: float) -> list[Item]:
    at, left = _step_ends(curve)
    limits = [clopper_pearson(int(k), curve.stimuli) for k in left]
    look = {"color": style.color(index), "run": index}
    items: list[Item] = []
    for values in ([limit.low for limit in limits], [limit.high for limit in limits]):
        x, y = _stairs(at / size, np.maximum(values, foot))
        items.append(Curve(x=x, y=y, dash="dot", width=1, opacity=0.6, **look))  # type: ignore[arg-type]
    x, y = _stairs(at / size, left / curve.stimuli)
    said = [
        f"not answered within {duration(int(t))}: {int(k):,} of {curve.stimuli:,}"
        for t, k in zip(at, left, strict=True)
    ]
    hover = [text for text in said for _ in range(2)][: x.size]
    items.append(Curve(x=x, y=y, dash=style.dash(index), name=style.label(views[index], index), hover=hover, **look))  # type: ignore[arg-type]
    return items


def _stairs(at: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Both ends of every step that keeps its value until the next."""
    return np.repeat(at, 2)[1:], np.repeat(values, 2)[:-1]


def _step_ends(curve: density.Exceedance) -> tuple[Int64s, Int64s]:
    # The last step of a run without misses falls to zero, which a logarithmic axis does not have.
    left = curve.unanswered.copy()
    if left[-1] == 0:
        left[-1] = left[-2] if left.size > 1 else curve.stimuli
    return curve.at_ns, left
