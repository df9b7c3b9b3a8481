"""A run folded at the period its late answers keep."""

from __future__ import annotations

from typing import Final

import numpy as np
import plotly.graph_objects as go

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.chunks import chunks
from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.evaluation.run_view import Folded, RunView, letter
from edgereply.report.figures import density, style
from edgereply.report.figures.canvas import heat, panels
from edgereply.report.figures.theme import LIGHT
from edgereply.wording.numbers import unit_for

_COLUMNS, _ROWS = 120, 60
_CHOSEN: Final = {"color": LIGHT["late"], "width": 2, "dash": "dot"}


def fold(view: RunView, index: int = 0) -> go.Figure | None:
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
    figure = panels(
        [view], ["reaction time", "share of late answers"], f"time within the period ({cycle_unit})", "", ["y"],
        same_y=False,
    )  # fmt: skip
    stamped = view.stimulus_ns != NO_STAMP
    every = bool(stamped.all())
    reaction_ns = view.reaction_ns if every else view.reaction_ns[stamped]
    at_ns = _within(view.stimulus_ns if every else view.stimulus_ns[stamped], found)
    cells = density.over_phase(at_ns, reaction_ns, found.period_ns, _COLUMNS, _ROWS)
    if cells is not None:
        heat(
            figure, cells.x_edges_ns / cycle, cells.y_edges_ns / size, cells.counts,
            f"%{{customdata:,}} answers, %{{x:.4~g}} {cycle_unit}<extra>{letter(index)}</extra>", index,
            {"row": 1, "col": 1},
        )  # fmt: skip
        if cells.log:
            figure.update_yaxes(row=1, **style.logarithmic(int(cells.y_edges_ns[0]), int(cells.y_edges_ns[-1]), size))
    _shares(figure, found, index, cycle, cycle_unit)
    _window(figure, found, cycle)
    figure.update_yaxes(title_text=f"reaction time ({unit})", row=1)
    figure.update_yaxes(title_text="late, share", row=2)
    return figure


def _shares(figure: go.Figure, found: Folded, index: int, cycle: int, unit: str) -> None:
    bins = found.stimuli.size
    share = np.divide(found.late, found.stimuli, out=np.zeros(bins), where=found.stimuli > 0)
    figure.add_bar(
        x=(np.arange(bins) + 0.5) * (found.period_ns / cycle / bins), y=share, name="late", row=2, col=1,
        width=found.period_ns / cycle / bins, marker={"color": style.color(index), "line": {"width": 0}},
        customdata=np.stack([found.late, found.stimuli], axis=1).tolist(),
        hovertemplate=f"%{{x:.4~g}} {unit}: %{{customdata[0]:,}} of %{{customdata[1]:,}} late"
        f"<extra>{letter(index)}</extra>",
    )  # fmt: skip


def _window(figure: go.Figure, found: Folded, cycle: int) -> None:
    bins = found.stimuli.size
    share = np.divide(found.late, found.stimuli, out=np.zeros(bins), where=found.stimuli > 0)
    top = float(share.max()) * 1.08 or 1.0
    ends = (found.start_ns % found.period_ns, (found.start_ns + found.width_ns) % found.period_ns)
    inwards = "top right" if ends[1] < found.period_ns / 2 else "top left"
    for word, place in zip(("", "late between the dotted lines"), ends, strict=True):
        figure.add_scatter(
            x=[place / cycle] * 2, y=[0, top], mode="lines+text", text=["", word], line=_CHOSEN, showlegend=False,
            textposition=inwards, textfont={"color": LIGHT["late"]}, hoverinfo="skip", name="window", row=2, col=1,
        )  # fmt: skip
    figure.update_yaxes(range=[0, top * 1.15], row=2)


def _within(stimulus_ns: Int64s, found: Folded) -> Int64s:
    """Time of each stimulus from phase 0; worked on in pieces that stay in the processor's cache."""
    at_ns = np.empty(stimulus_ns.size, np.int64)
    for part in chunks(stimulus_ns.size):
        at_ns[part] = np.mod(stimulus_ns[part] - found.origin_ns, found.period_ns)
    return at_ns
