"""A run folded at the period its late answers keep."""

from __future__ import annotations

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.chunks import chunks
from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.evaluation.run_view import Folded, RunView, letter
from edgereply.report.figures import density, style
from edgereply.report.figures.drawing import Axis, Boxes, Drawing, Flag, Heat, Panel
from edgereply.wording.numbers import unit_for

_COLUMNS, _ROWS = 120, 60


def fold(view: RunView, index: int = 0) -> Drawing | None:
    """Reaction time, and the share of late answers, by when in the strongest period the stimulus came.

    Args:
        view: the run.
        index: its number on the page.

    Returns:
        The figure, two panels on one axis; None where no period was found.
    """
    if not view.folds:
        return None
    found = view.folds[0]
    size, unit = style.unit_of([view.answers()])
    cycle, cycle_unit = unit_for(found.period_ns)
    x = Axis(title=f"time within the period ({cycle_unit})", low=0, high=found.period_ns / cycle)
    stamped = view.stimulus_ns != NO_STAMP
    every = bool(stamped.all())
    reaction_ns = view.reaction_ns if every else view.reaction_ns[stamped]
    at_ns = _within(view.stimulus_ns if every else view.stimulus_ns[stamped], found)
    cells = density.over_phase(at_ns, reaction_ns, found.period_ns, _COLUMNS, _ROWS)
    heat: tuple[Heat, ...] = ()
    low, high = 1, 2
    if cells is not None:
        heat = (
            Heat(x_edges=cells.x_edges_ns / cycle, y_edges=cells.y_edges_ns / size, counts=cells.counts, run=index),
        )
        low, high = int(cells.y_edges_ns[0]), int(cells.y_edges_ns[-1])
    y = style.time_axis(f"reaction time ({unit})", low, high, size, cells is not None and cells.log)
    above = Panel(x=x, y=y, items=heat, title="reaction time", height=230)
    return Drawing(
        panels=(above, _shares(found, index, x, cycle, cycle_unit)),
        measured_by=style.measured_words([view]),
        switches=("y",),
    )


def _shares(found: Folded, index: int, x: Axis, cycle: int, unit: str) -> Panel:
    bins = found.stimuli.size
    share = np.divide(found.late, found.stimuli, out=np.zeros(bins), where=found.stimuli > 0)
    width = found.period_ns / cycle / bins
    top = float(share.max()) * 1.15 or 1.0
    some = np.flatnonzero(share).tolist()
    bars = Boxes(
        x=[(place * width, (place + 1) * width) for place in some],
        y=[(0.0, float(share[place])) for place in some],
        color=style.color(index),
        hover=[
            f"{letter(index)} {(place + 0.5) * width:.4g} {unit}: {found.late[place]:,} of {found.stimuli[place]:,}"
            for place in some
        ],
    )
    ends = (found.start_ns % found.period_ns, (found.start_ns + found.width_ns) % found.period_ns)
    flags = tuple(
        Flag(at=end / cycle, text=word, color="late", dash="dot")
        for end, word in zip(ends, ("late from here", "to here"), strict=True)
    )
    y = Axis(title="late, share", low=0, high=top)
    return Panel(x=x, y=y, items=(bars,), flags=flags, title="share of late answers", height=170)


def _within(stimulus_ns: Int64s, found: Folded) -> Int64s:
    """Time of each stimulus from phase 0; worked on in pieces that stay in the processor's cache."""
    at_ns = np.empty(stimulus_ns.size, np.int64)
    for part in chunks(stimulus_ns.size):
        at_ns[part] = np.mod(stimulus_ns[part] - found.origin_ns, found.period_ns)
    return at_ns
