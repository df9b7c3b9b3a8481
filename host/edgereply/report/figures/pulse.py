"""All responses of a run laid over each other, as an instrument's screen would accumulate them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import plotly.graph_objects as go

from edgereply.evaluation.run_view import RunView, letter
from edgereply.report.figures import overlay
from edgereply.report.figures.canvas import deadline, heat, names, panels
from edgereply.wording.numbers import unit_for


def persistence(views: Sequence[RunView], first: int = 0) -> go.Figure:
    """All responses laid over each other after the stimulus: the low level, the edges and the high level.

    Args:
        views: the runs, one panel each on one time axis.
        first: number of the first of them on the page.

    Returns:
        The figure; colour counts how many stimuli share a cell.
    """
    pairs = [(view.reaction_ns, view.pulse_width_ns) for view in views]
    edges = overlay.persistence_edges(pairs, 240, 160)
    usual = max(overlay.usual_end(*pair) for pair in pairs) * 3 // 2 + 1
    size, unit = unit_for(usual)
    figure = panels(views, names(views, first), f"time after the stimulus ({unit})", "response level", [])
    levels = np.array([-0.14, 0.14, 0.86, 1.14])
    for row, view in enumerate(views):
        seen = overlay.persistence(view.reaction_ns, view.pulse_width_ns, edges, view.stimuli)
        rows = np.stack([seen.stimuli - seen.high, seen.rises + seen.falls, seen.high])
        place = {"row": row + 1, "col": 1}
        heat(
            figure, edges / size, levels, rows,
            f"%{{customdata:,}} of {seen.stimuli:,} stimuli, %{{x:.4~g}} {unit}<extra>{letter(first + row)}</extra>",
            first + row, place,
        )  # fmt: skip
        if view.deadline_ns is not None and view.deadline_ns <= edges[-1]:
            x = view.deadline_ns / size
            deadline(figure, view.deadline_ns, [x, x], [-0.3, 1.25], "middle left", place)
    figure.update_xaxes(range=[0, usual / size])
    figure.update_yaxes(tickvals=[0, 0.5, 1], ticktext=["low", "edges", "high"], range=[-0.3, 1.3], fixedrange=True)
    return figure
