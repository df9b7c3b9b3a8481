"""What all figures share: an empty figure, panels one above the other, deadlines and counts as colour."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import plotly.graph_objects as go
from plotly.offline import get_plotlyjs
from plotly.subplots import make_subplots

from edgereply.analysis.arrays.aliases import Floats, Int64s
from edgereply.evaluation.run_view import RunView
from edgereply.report.figures import style
from edgereply.report.figures.theme import LIGHT
from edgereply.wording.numbers import exactly

Anchor = dict[str, int]


def library() -> str:
    """The drawing library's script, as it is inlined into a page."""
    return str(get_plotlyjs())


def blank(views: Sequence[RunView], x_title: str, y_title: str, controls: list[str], height: int = 400) -> go.Figure:
    """A figure with one pair of axes."""
    figure = go.Figure()
    _lay_out(figure, views, controls, height)
    figure.update_xaxes(title_text=x_title)
    figure.update_yaxes(title_text=y_title)
    return figure


def panels(
    views: Sequence[RunView], titles: Sequence[str], x_title: str, y_title: str, controls: list[str],
    same_y: bool = True,
) -> go.Figure:  # fmt: skip
    """Panels one above the other on one time axis.

    Args:
        views: the runs, whose grades stand in the drawing.
        titles: one a panel; a single panel takes none.
        x_title: of the lowest panel.
        y_title: of every panel.
        controls: axes that may be switched to logarithmic.
        same_y: the panels share the other axis too.
    """
    rows = len(titles)
    figure = make_subplots(
        rows=rows, cols=1, shared_xaxes="all", shared_yaxes="all" if same_y else False,
        vertical_spacing=0.32 / (rows + 1), subplot_titles=titles if rows > 1 else None,
    )  # fmt: skip
    _lay_out(figure, views, controls, 400 if rows == 1 else 110 + 230 * rows)
    figure.update_xaxes(title_text=x_title, row=rows)
    figure.update_yaxes(title_text=y_title)
    figure.update_layout(showlegend=False)
    return figure


def names(views: Sequence[RunView], first: int) -> list[str]:
    """Titles of panels with a run each; `first` is the number of the first run on the page."""
    return [style.label(view, first + row) for row, view in enumerate(views)]


def deadline(
    figure: go.Figure, deadline_ns: int, x: Sequence[float], y: Sequence[float], label_at: str, place: Anchor
) -> None:
    """Draw one deadline with its time beside it."""
    # A trace, not a shape: it stays inside the automatic range, and its label moves with the axis type.
    figure.add_scatter(
        x=list(x), y=list(y), mode="lines+text", text=["", f"deadline {exactly(deadline_ns)}"], textposition=label_at,
        textfont={"color": LIGHT["deadline"]}, line={"color": LIGHT["deadline"], "dash": "dash", "width": 2},
        name="deadline", showlegend=False, hoverinfo="name", **place,
    )  # fmt: skip


def deadlines(figure: go.Figure, views: Sequence[RunView], size: int, low: float, high: float) -> None:
    """Draw every run's deadline upright, equal ones once."""
    for limit in dict.fromkeys(view.deadline_ns for view in views if view.deadline_ns is not None):
        deadline(figure, limit, [limit / size] * 2, [low, high], "bottom left", {})


def heat(
    figure: go.Figure, x_edges: Floats, y_edges: Floats, counts: Int64s,
    hover: str, index: int, place: Anchor,
) -> None:  # fmt: skip
    """Counts on a grid as colour, the logarithm of the count.

    Args:
        figure: gets them.
        x_edges: shape (nx + 1,).
        y_edges: shape (ny + 1,).
        counts: shape (ny, nx); 0 stays empty.
        hover: template; the count is `customdata`.
        index: number of the run on the page.
        place: row and column of the panel.
    """
    with np.errstate(divide="ignore"):
        shade = np.where(counts > 0, np.log10(counts), np.nan)
    figure.add_heatmap(
        x=x_edges, y=y_edges, z=shade.astype(np.float32), customdata=counts, coloraxis="coloraxis",
        hoverongaps=False, hovertemplate=hover, meta={"run": index}, **place,
    )  # fmt: skip
    top = max(1.0, float(np.nanmax(shade)) if counts.any() else 0.0, figure.layout.coloraxis.cmax or 0.0)
    figure.update_layout(
        coloraxis={
            "colorscale": style.DENSITY, "cmin": 0, "cmax": top,
            "colorbar": {"title": {"text": "count"}, "tickvals": list(range(int(top) + 1)), "thickness": 14,
                         "ticktext": [f"{10**d:,}" for d in range(int(top) + 1)], "outlinewidth": 0},
        }
    )  # fmt: skip


def _lay_out(figure: go.Figure, views: Sequence[RunView], controls: list[str], height: int) -> None:
    figure.update_layout(template=go.layout.Template(), **style.layout(views, controls, height))
    figure.update_xaxes(**style.AXIS)
    figure.update_yaxes(**style.AXIS)
