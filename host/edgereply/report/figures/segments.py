"""Where the time goes: segments of the reaction."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import plotly.graph_objects as go

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.presence import present
from edgereply.evaluation.run_view import RunView, letter
from edgereply.report.figures import style
from edgereply.report.figures.canvas import blank
from edgereply.report.tables.rows import segment_label, segment_names
from edgereply.wording.numbers import duration

_MARKS: Final = (
    ("fastest", "min_ns", "line-ns"),
    ("median", "median_ns", "circle"),
    ("p99", "p99_ns", "diamond"),
    ("p99.9", "p99_9_ns", "square"),
    ("slowest", "max_ns", "x-thin"),
)

# The page takes so much off for each row of a run that is not shown.
ROW_PX = 40

_Line = tuple[int, str, dict[str, Any], Int64s]


def segments(views: Sequence[RunView]) -> go.Figure | None:
    """Where the time goes: each segment from fastest to slowest, with its median, p99 and p99.9.

    Args:
        views: the runs, beside each other under every segment.

    Returns:
        The figure, or None where no run has segments.
    """
    lines = _lines(views)
    if not lines:
        return None
    size, unit = style.unit_of([values for _, _, _, values in lines])
    figure = blank(views, f"time ({unit})", "", ["x"], height=170 + ROW_PX * len(lines))
    for index, label, _, values in lines:
        ends = np.array([int(values.min()), int(values.max())])
        line = style.line(views, index, width=1.5) | {"showlegend": False, "hoverinfo": "skip"}
        figure.add_scatter(x=ends / size, y=[label, label], **line)
    for word, key, symbol in _MARKS:
        shown = [(i, label, figures[key]) for i, label, figures, _ in lines if figures.get(key) is not None]
        colors = [style.color(i) for i, _, _ in shown]
        figure.add_scatter(
            x=[value / size for _, _, value in shown],
            y=[label for _, label, _ in shown],
            mode="markers",
            name=word,
            marker={"symbol": symbol, "size": 11, "color": colors, "line": {"width": 2, "color": colors}},
            customdata=[duration(value) for _, _, value in shown],
            hovertemplate="%{y}, " + word + ": %{customdata}<extra></extra>",
            meta={"runs": [i for i, _, _ in shown]},
        )
    smallest, largest = min(int(v.min()) for *_, v in lines), max(int(v.max()) for *_, v in lines)
    if smallest > 0:
        figure.update_xaxes(**style.logarithmic(smallest, largest, size))
    figure.update_yaxes(
        autorange="reversed", type="category", fixedrange=True,
        categoryorder="array", categoryarray=[label for _, label, _, _ in lines],
    )  # fmt: skip
    figure.update_layout(showlegend=True, margin={"l": 130, "b": 96})
    return figure


def _lines(views: Sequence[RunView]) -> list[_Line]:
    lines: list[_Line] = []
    for name in (name for name in segment_names(views) if any(name in view.segments for view in views)):
        for index, view in enumerate(views):
            values = present(view.segments[name]) if name in view.segments else np.empty(0, dtype=np.int64)
            if values.size:
                label = segment_label(name) + (f" {letter(index)}" if len(views) > 1 else "")
                lines.append((index, label, (view.summary.get("segments") or {}).get(name) or {}, values))
    return lines
