"""Curves of a sweep: quantiles of the reaction time against the rate of the stimuli."""

from __future__ import annotations

from collections.abc import Sequence

import plotly.graph_objects as go

from edgereply.evaluation.run_view import RunView
from edgereply.report.figures import style
from edgereply.report.figures.canvas import Anchor, deadline, panels
from edgereply.report.figures.curves import Curve, curves
from edgereply.report.tables.rows import QUANTILES, estimate


def sweep_curves(views: Sequence[RunView]) -> go.Figure | None:
    """Median, p99 and p99.9 against the rate, a curve for all else that was varied, with 95 % bands.

    Args:
        views: the conditions of a sweep.

    Returns:
        The figure, a panel a quantile; None where no two rates were measured.
    """
    found = curves(views)
    known = [item for curve in found for view in curve.views for _, key in QUANTILES if (item := estimate(view, key))]
    if not known:
        return None
    size, unit = style.unit_of([view.answers() for view in views])
    shown = [pair for pair in QUANTILES if any(estimate(view, pair[1]) for c in found for view in c.views)]
    titles = [word for word, _ in shown]
    figure = panels(views, titles, "stimuli per second", f"reaction time ({unit})", ["x", "y"], same_y=False)
    rates = sorted({rate for curve in found for rate in curve.rates})
    for row, (word, key) in enumerate(shown, 1):
        place = {"row": row, "col": 1}
        for number, curve in enumerate(found):
            _draw(figure, curve, number, (word, key), size, place)
        for limit in dict.fromkeys(view.deadline_ns for view in views if view.deadline_ns is not None):
            deadline(figure, limit, [rates[-1], rates[0]], [limit / size] * 2, "top right", place)
    limits = [view.deadline_ns for view in views if view.deadline_ns is not None]
    low, high = (min([item.low_ns for item in known] + limits), max([item.high_ns for item in known] + limits))
    if low > 0:
        figure.update_yaxes(**style.logarithmic(low, high, size))
    figure.update_xaxes(type="log", tickvals=rates, ticktext=[f"{rate:,.6g}" for rate in rates], showticklabels=True)
    figure.update_layout(showlegend=len(found) > 1)
    return figure


def _draw(figure: go.Figure, curve: Curve, number: int, quantile: tuple[str, str], size: int, place: Anchor) -> None:
    word, key = quantile
    points = [(rate, view, item) for rate, view in zip(curve.rates, curve.views, strict=True)
              if (item := estimate(view, key)) is not None]  # fmt: skip
    if not points:
        return
    color, label = style.color(number), style.escaped(curve.name) or "all conditions"
    x = [rate for rate, _, _ in points]
    figure.add_scatter(
        x=[*x, *reversed(x)],
        y=[item.high_ns / size for _, _, item in points] + [item.low_ns / size for _, _, item in reversed(points)],
        fill="toself", fillcolor=color, opacity=0.18, mode="lines", line={"width": 0, "color": color},
        hoverinfo="skip", showlegend=False, **place,
    )  # fmt: skip
    figure.add_scatter(
        x=x,
        y=[item.value_ns / size for _, _, item in points],
        mode="lines+markers",
        name=label,
        legendgroup=str(number),
        showlegend=place["row"] == 1,
        line={"color": color, "dash": style.dash(number), "width": 2},
        marker={
            "symbol": [f"{style.marker(number)}{'-open' if item.rough else ''}" for _, _, item in points],
            "size": 9, "color": color,
        },
        customdata=[
            [f"{rate:,.6g}/s", item.words, f"{view.stimuli:,}"]
            for rate, view, item in points
        ],
        hovertemplate="%{customdata[0]}: " + word + " %{customdata[1]}, %{customdata[2]} stimuli"
        "<extra>" + label + "</extra>",
        **place,
    )  # fmt: skip
