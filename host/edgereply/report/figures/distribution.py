"""All answers of a run at once: how often each reaction time happened, and the slow end."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import plotly.graph_objects as go

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.statistics.intervals import clopper_pearson
from edgereply.evaluation.run_view import RunView, letter
from edgereply.report.figures import density, style
from edgereply.report.figures.canvas import blank, deadlines
from edgereply.wording.numbers import duration


def distribution(views: Sequence[RunView]) -> go.Figure:
    """How often each reaction time happened, on a logarithmic count.

    Args:
        views: the runs, laid over each other.

    Returns:
        The figure.
    """
    samples = [view.answers() for view in views]
    edges, log = density.shared_edges(samples, density.DRAWN_BINS)
    size, unit = style.unit_of(samples)
    figure = blank(views, f"reaction time ({unit})", "stimuli in each bin", ["x", "y"])
    spans = [
        f"{duration(low)} to {duration(high)}"
        for low, high in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)
    ]
    most = 1
    for index, sample in enumerate(samples):
        if not sample.size:
            continue
        counts = density.counts_between(sample, edges)
        most = max(most, int(counts.max()))
        figure.add_scatter(
            x=edges / size,
            # An empty bin sits on the floor of the logarithmic axis instead of breaking the line.
            y=np.append(np.where(counts == 0, 0.5, counts), 0.5),
            customdata=[[span, int(count)] for span, count in zip(spans, counts, strict=True)] + [["", 0]],
            hovertemplate="%{customdata[0]}: %{customdata[1]:,}<extra>" + letter(index) + "</extra>",
            **style.line(views, index, shape="hv"),
        )
    if log:
        figure.update_xaxes(**style.logarithmic(int(edges[0]), int(edges[-1]), size))
    figure.update_yaxes(type="log", range=[np.log10(0.5), np.log10(most * 1.6)], dtick=1)
    deadlines(figure, views, size, 0.5, most * 1.6)
    return figure


def tail(views: Sequence[RunView]) -> go.Figure:
    """Share of stimuli not answered within a time, both axes logarithmic, with 95 % limits.

    Args:
        views: the runs, laid over each other.

    Returns:
        The figure; missed stimuli never count as answered, so a curve may end above its last step.
    """
    size, unit = style.unit_of([view.answers() for view in views])
    figure = blank(views, f"time after the stimulus ({unit})", "share not answered yet", ["x", "y"])
    for index, view in enumerate(views):
        curve = density.exceedance(view.reaction_ns, view.stimuli)
        if curve.at_ns.size:
            _curve(figure, views, index, curve, size)
    reached = [value for view in views for value in style.reach(view)]
    figure.update_xaxes(**style.logarithmic(max(1, min(reached, default=1)), max(reached, default=1), size))
    figure.update_yaxes(type="log", dtick=1, tickformat=".1~r", exponentformat="power")
    deadlines(figure, views, size, 1 / max(1, *(view.stimuli for view in views)), 1)
    return figure


def _curve(figure: go.Figure, views: Sequence[RunView], index: int, curve: density.Exceedance, size: int) -> None:
    at, left = _step_ends(curve)
    limits = [clopper_pearson(int(k), curve.stimuli) for k in left]
    x = at / size
    for values in ([limit.low for limit in limits], [limit.high for limit in limits]):
        edge = style.line(views, index, shape="hv", width=1) | {
            "showlegend": False,
            "hoverinfo": "skip",
            "opacity": 0.55,
        }
        edge["line"]["dash"] = "dot"
        figure.add_scatter(x=x, y=values, **edge)
    figure.add_scatter(
        x=x,
        y=left / curve.stimuli,
        customdata=[[duration(int(t)), f"{int(k):,} of {curve.stimuli:,}"] for t, k in zip(at, left, strict=True)],
        hovertemplate="not answered within %{customdata[0]}: %{customdata[1]}<extra>" + letter(index) + "</extra>",
        **style.line(views, index, shape="hv"),
    )


def _step_ends(curve: density.Exceedance) -> tuple[Int64s, Int64s]:
    # The last step of a run without misses falls to zero, which a logarithmic axis does not have.
    left = curve.unanswered.copy()
    if left[-1] == 0:
        left[-1] = left[-2] if left.size > 1 else curve.stimuli
    return curve.at_ns, left
