"""Quantiles of several runs beside each other."""

from __future__ import annotations

from collections.abc import Sequence

import plotly.graph_objects as go

from edgereply.evaluation.run_view import RunView, letter
from edgereply.report.figures import style
from edgereply.report.figures.canvas import blank
from edgereply.report.tables.rows import QUANTILES, estimate


def quantiles(views: Sequence[RunView]) -> go.Figure:
    """Quantiles of the reaction time with their 95 % intervals, run beside run.

    Args:
        views: the runs.

    Returns:
        The figure; a quantile that a run is too short for is left out, a rough one is an open marker without a bar.
    """
    size, unit = style.unit_of([view.answers() for view in views])
    figure = blank(views, "", f"reaction time ({unit})", ["y"])
    for index, view in enumerate(views):
        found = [(place, word, estimate(view, key)) for place, (word, key) in enumerate(QUANTILES)]
        known = [(place, word, item) for place, word, item in found if item is not None]
        line = style.line(views, index) | {"mode": "markers"}
        symbols = [f"{style.marker(index)}{'-open' if item.rough else ''}" for _, _, item in known]
        line["marker"] = {"symbol": symbols, "size": 10, "color": style.color(index)}
        figure.add_scatter(
            x=[place + 0.7 * ((index + 0.5) / len(views) - 0.5) for place, _, _ in known],
            y=[item.value_ns / size for _, _, item in known],
            error_y={
                "array": [(item.high_ns - item.value_ns) / size for _, _, item in known],
                "arrayminus": [(item.value_ns - item.low_ns) / size for _, _, item in known],
                "thickness": 2, "width": 7 if len(views) <= 8 else 3, "color": style.color(index),
            },
            customdata=[
                [word, item.words] for _, word, item in known
            ],
            hovertemplate="%{customdata[0]}: %{customdata[1]}"
            "<extra>" + letter(index) + "</extra>",
            **line,
        )  # fmt: skip
    places = list(range(len(QUANTILES)))
    figure.update_xaxes(
        tickvals=places, ticktext=[word for word, _ in QUANTILES], range=[-0.5, len(places) - 0.5], fixedrange=True
    )
    known_ns = [ends for view in views for _, key in QUANTILES if (item := estimate(view, key))
                for ends in (item.low_ns, item.high_ns)]  # fmt: skip
    if known_ns and min(known_ns) > 0:
        figure.update_yaxes(**style.logarithmic(min(known_ns), max(known_ns), size))
    else:
        figure.update_yaxes(rangemode="tozero")
    return figure
