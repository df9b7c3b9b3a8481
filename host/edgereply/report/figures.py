"""Arrays into figures: the only module that knows plotly.

Figures are drawn in the light palette of `theme`. Every trace says in `meta` which run it belongs to, so that the
page can hide a run; `meta.controls` of a figure lists the axes a reader may switch between linear and logarithmic.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import plotly.graph_objects as go
from numpy.typing import NDArray
from plotly.offline import get_plotlyjs
from plotly.subplots import make_subplots

from edgereply.analysis.intervals import clopper_pearson
from edgereply.report import density, style
from edgereply.report.rows import segment_label, segment_names
from edgereply.report.text import duration, exactly, unit_for
from edgereply.report.theme import LIGHT, MARKERS
from edgereply.report.view import NO_STAMP, RunView, letter, present

_BINS: Final = 90
_DOTS_UP_TO: Final = 1200
_QUANTILES: Final = (("median", "median_ns"), ("p90", "p90_ns"), ("p99", "p99_ns"), ("p99.9", "p99_9_ns"))


def library() -> str:
    """The drawing library's script, as it is inlined into a page."""
    return str(get_plotlyjs())


def distribution(views: Sequence[RunView]) -> go.Figure:
    """How often each reaction time happened, on a logarithmic count.

    Args:
        views: the runs, laid over each other.

    Returns:
        The figure.
    """
    samples = [present(view.reaction_ns) for view in views]
    edges, log = density.shared_edges(samples, _BINS)
    size, unit = style.unit_of(samples)
    figure = _figure(views, f"reaction time ({unit})", "stimuli in each bin", ["x", "y"])
    for index, sample in enumerate(samples):
        if not sample.size:
            continue
        counts = density.counts_between(sample, edges)
        spans = [
            f"{duration(low)} to {duration(high)}"
            for low, high in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)
        ]
        figure.add_scatter(
            x=edges / size,
            # An empty bin sits on the floor of the logarithmic axis instead of breaking the line.
            y=np.append(np.where(counts == 0, 0.5, counts), 0.5),
            customdata=[[span, int(count)] for span, count in zip(spans, counts, strict=True)] + [["", 0]],
            hovertemplate="%{customdata[0]}: %{customdata[1]:,}<extra>" + letter(index) + "</extra>",
            **style.line(views, index, shape="hv"),
        )
    most = max((int(density.counts_between(s, edges).max()) for s in samples if s.size), default=1)
    if log:
        figure.update_xaxes(**style.logarithmic(int(edges[0]), int(edges[-1]), size))
    figure.update_yaxes(type="log", range=[np.log10(0.5), np.log10(most * 1.6)], dtick=1)
    _deadlines(figure, views, size, 0.5, most * 1.6)
    return figure


def tail(views: Sequence[RunView]) -> go.Figure:
    """Share of stimuli not answered within a time, both axes logarithmic, with 95 % limits.

    Args:
        views: the runs, laid over each other.

    Returns:
        The figure; missed stimuli never count as answered, so a curve may end above its last step.
    """
    size, unit = style.unit_of([present(view.reaction_ns) for view in views])
    figure = _figure(views, f"time after the stimulus ({unit})", "share not answered yet", ["x", "y"])
    for index, view in enumerate(views):
        curve = density.exceedance(view.reaction_ns, view.stimuli)
        if not curve.at_ns.size:
            continue
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
    reached = [value for view in views for value in style.reach(view)]
    figure.update_xaxes(**style.logarithmic(max(1, min(reached, default=1)), max(reached, default=1), size))
    figure.update_yaxes(type="log", dtick=1, tickformat=".1~r", exponentformat="power")
    _deadlines(figure, views, size, 1 / max(1, *(view.stimuli for view in views)), 1)
    return figure


def over_time(views: Sequence[RunView]) -> go.Figure:
    """Reaction time against the time of the stimulus, late and missed ones marked one by one.

    Args:
        views: the runs, one panel each.

    Returns:
        The figure: dots for a short run, cells coloured by count for a long one.
    """
    size, unit = style.unit_of([present(view.reaction_ns) for view in views])
    log = density.shared_edges([present(view.reaction_ns) for view in views], 10)[1]
    figure = _panels(views, "time since the first stimulus (s)", f"reaction time ({unit})", ["y"], shared="all")
    for index, view in enumerate(views):
        since, reaction = view.timeline()
        if not (reaction != NO_STAMP).any():
            continue
        place = {"row": index + 1, "col": 1}
        if np.count_nonzero(reaction != NO_STAMP) <= _DOTS_UP_TO:
            _dots(figure, index, since, reaction, size, place)
        else:
            _cells(figure, index, since, reaction, size, place)
        _marks(figure, view, index, since, reaction, size, place)
        if view.deadline_ns is not None:
            y = view.deadline_ns / size
            _deadline(figure, view.deadline_ns, [int(since[-1]) / 1e9, 0], [y, y], "top right", place)
    if log:
        reached = [value for view in views for value in style.reach(view)]
        figure.update_yaxes(**style.logarithmic(min(reached), max(reached), size))
    return figure


def persistence(views: Sequence[RunView]) -> go.Figure:
    """All responses laid over each other after the stimulus: the low level, the edges and the high level.

    Args:
        views: the runs, one panel each on one time axis.

    Returns:
        The figure; colour counts how many stimuli share a cell.
    """
    pairs = [(view.reaction_ns, view.pulse_width_ns) for view in views]
    edges = density.persistence_edges(pairs, 240, 160)
    usual = max(density.usual_end(*pair) for pair in pairs) * 3 // 2 + 1
    size, unit = unit_for(usual)
    figure = _panels(views, f"time after the stimulus ({unit})", "response level", [], shared="all")
    levels = np.array([-0.14, 0.14, 0.86, 1.14])
    for index, view in enumerate(views):
        seen = density.persistence(view.reaction_ns, view.pulse_width_ns, edges, view.stimuli)
        rows = np.stack([seen.stimuli - seen.high, seen.rises + seen.falls, seen.high])
        _heat(
            figure, edges / size, levels, rows,
            "%{customdata:,} of " + f"{seen.stimuli:,} stimuli, %{{x:.4~g}} {unit}<extra>{letter(index)}</extra>",
            index, {"row": index + 1, "col": 1},
        )  # fmt: skip
        if view.deadline_ns is not None and view.deadline_ns <= edges[-1]:
            x = view.deadline_ns / size
            _deadline(figure, view.deadline_ns, [x, x], [-0.3, 1.25], "middle left", {"row": index + 1, "col": 1})
    figure.update_xaxes(range=[0, usual / size])
    figure.update_yaxes(tickvals=[0, 0.5, 1], ticktext=["low", "edges", "high"], range=[-0.3, 1.3], fixedrange=True)
    return figure


def segments(views: Sequence[RunView]) -> go.Figure | None:
    """Where the time goes: each segment from fastest to slowest, with its median, p99 and p99.9.

    Args:
        views: the runs, beside each other under every segment.

    Returns:
        The figure, or None where no run has segments.
    """
    names = [name for name in segment_names(views) if any(name in view.segments for view in views)]
    if not names:
        return None
    lines: list[tuple[int, str, dict[str, Any], NDArray[np.int64]]] = []
    for name in names:
        for index, view in enumerate(views):
            values = present(view.segments[name]) if name in view.segments else np.empty(0, dtype=np.int64)
            if values.size:
                label = segment_label(name) + (f" {letter(index)}" if len(views) > 1 else "")
                lines.append((index, label, (view.summary.get("segments") or {}).get(name) or {}, values))
    if not lines:
        return None
    size, unit = style.unit_of([values for _, _, _, values in lines])
    figure = _figure(views, f"time ({unit})", "", ["x"], height=170 + 40 * len(lines))
    marks = (("fastest", "min_ns", "line-ns"), ("median", "median_ns", "circle"), ("p99", "p99_ns", "diamond"),
             ("p99.9", "p99_9_ns", "square"), ("slowest", "max_ns", "x-thin"))  # fmt: skip
    for index, label, _, values in lines:
        ends = np.array([int(values.min()), int(values.max())])
        line = style.line(views, index, width=1.5) | {"showlegend": False, "hoverinfo": "skip"}
        figure.add_scatter(x=ends / size, y=[label, label], **line)
    for word, key, symbol in marks:
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
        )
    smallest, largest = min(int(v.min()) for *_, v in lines), max(int(v.max()) for *_, v in lines)
    if smallest > 0:
        figure.update_xaxes(**style.logarithmic(smallest, largest, size))
    figure.update_yaxes(autorange="reversed", type="category", fixedrange=True)
    figure.update_layout(showlegend=True, margin={"l": 130, "b": 96})
    return figure


def quantiles(views: Sequence[RunView]) -> go.Figure:
    """Quantiles of the reaction time with their 95 % intervals, run beside run.

    Args:
        views: the runs.

    Returns:
        The figure; a quantile that a run is too short for is left out.
    """
    size, unit = style.unit_of([present(view.reaction_ns) for view in views])
    figure = _figure(views, "", f"reaction time ({unit})", ["y"])
    for index, view in enumerate(views):
        reaction = view.summary.get("reaction") or {}
        known = [(place, word, key) for place, (word, key) in enumerate(_QUANTILES) if reaction.get(key) is not None]
        middle = [reaction[key] for _, _, key in known]
        ends = [(reaction.get("ci95") or {}).get(key) or (reaction[key], reaction[key]) for _, _, key in known]
        line = style.line(views, index) | {"mode": "markers"}
        line["marker"] = {"symbol": MARKERS[index % len(MARKERS)], "size": 10, "color": style.color(index)}
        figure.add_scatter(
            x=[place + 0.5 * ((index + 0.5) / len(views) - 0.5) for place, _, _ in known],
            y=[value / size for value in middle],
            error_y={
                "array": [(high - value) / size for value, (_, high) in zip(middle, ends, strict=True)],
                "arrayminus": [(value - low) / size for value, (low, _) in zip(middle, ends, strict=True)],
                "thickness": 2, "width": 7, "color": style.color(index),
            },
            customdata=[
                [word, duration(value), duration(low), duration(high)]
                for (_, word, _), value, (low, high) in zip(known, middle, ends, strict=True)
            ],
            hovertemplate="%{customdata[0]}: %{customdata[1]} (%{customdata[2]} to %{customdata[3]})"
            "<extra>" + letter(index) + "</extra>",
            **line,
        )  # fmt: skip
    places = list(range(len(_QUANTILES)))
    figure.update_xaxes(tickvals=places, ticktext=[word for word, _ in _QUANTILES], range=[-0.5, 3.5], fixedrange=True)
    figure.update_yaxes(rangemode="tozero")
    return figure


def _figure(views: Sequence[RunView], x_title: str, y_title: str, controls: list[str], height: int = 400) -> go.Figure:
    figure = go.Figure()
    _lay_out(figure, views, controls, height)
    figure.update_xaxes(title_text=x_title)
    figure.update_yaxes(title_text=y_title)
    return figure


def _panels(views: Sequence[RunView], x_title: str, y_title: str, controls: list[str], shared: str) -> go.Figure:
    several = len(views) > 1
    figure = make_subplots(
        rows=len(views), cols=1, shared_xaxes=shared, shared_yaxes=shared, vertical_spacing=0.32 / (len(views) + 1),
        subplot_titles=[style.label(view, index) for index, view in enumerate(views)] if several else None,
    )  # fmt: skip
    _lay_out(figure, views, controls, 400 if not several else 110 + 230 * len(views))
    figure.update_xaxes(title_text=x_title, row=len(views))
    figure.update_yaxes(title_text=y_title)
    figure.update_layout(showlegend=False)
    return figure


def _lay_out(figure: go.Figure, views: Sequence[RunView], controls: list[str], height: int) -> None:
    figure.update_layout(template=go.layout.Template(), **style.layout(views, controls, height))
    figure.update_xaxes(**style.AXIS)
    figure.update_yaxes(**style.AXIS)


def _deadline(
    figure: go.Figure, deadline_ns: int, x: Sequence[float], y: Sequence[float], label_at: str, place: dict[str, int]
) -> None:
    # A trace, not a shape: it stays inside the automatic range, and its label moves with the axis type.
    figure.add_scatter(
        x=list(x), y=list(y), mode="lines+text", text=["", f"deadline {exactly(deadline_ns)}"], textposition=label_at,
        textfont={"color": LIGHT["deadline"]}, line={"color": LIGHT["deadline"], "dash": "dash", "width": 2},
        name="deadline", showlegend=False, hoverinfo="name", **place,
    )  # fmt: skip


def _deadlines(figure: go.Figure, views: Sequence[RunView], size: int, low: float, high: float) -> None:
    for deadline in dict.fromkeys(view.deadline_ns for view in views if view.deadline_ns is not None):
        _deadline(figure, deadline, [deadline / size] * 2, [low, high], "bottom left", {})


def _step_ends(curve: density.Exceedance) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    # The last step of a run without misses falls to zero, which a logarithmic axis does not have.
    left = curve.unanswered.copy()
    if left[-1] == 0:
        left[-1] = left[-2] if left.size > 1 else curve.stimuli
    return curve.at_ns, left


def _dots(
    figure: go.Figure,
    index: int,
    since: NDArray[np.int64],
    reaction: NDArray[np.int64],
    size: int,
    place: dict[str, int],
) -> None:
    there = reaction != NO_STAMP
    figure.add_scatter(
        x=since[there] / 1e9, y=reaction[there] / size, mode="markers", name="answer",
        marker={"size": 4, "symbol": "circle", "color": style.color(index)},
        customdata=[duration(int(value)) for value in reaction[there]],
        hovertemplate="%{x:.4~g} s: %{customdata}<extra>" + letter(index) + "</extra>", **place,
    )  # fmt: skip


def _cells(
    figure: go.Figure,
    index: int,
    since: NDArray[np.int64],
    reaction: NDArray[np.int64],
    size: int,
    place: dict[str, int],
) -> None:
    cells = density.over_time(since, reaction, 200, 70)
    if cells is None:
        return
    _heat(
        figure, cells.x_edges_ns / 1e9, cells.y_edges_ns / size, cells.counts,
        "%{customdata:,} answers, %{x:.4~g} s<extra>" + letter(index) + "</extra>", index, place,
    )  # fmt: skip
    at, slowest = density.slowest_over_time(since, reaction, 200)
    figure.add_scatter(
        x=at / 1e9, y=slowest / size, mode="lines", name="slowest", hoverinfo="skip",
        line={"color": LIGHT["envelope"], "width": 1, "shape": "hv"}, **place,
    )  # fmt: skip


def _marks(
    figure: go.Figure, view: RunView, index: int, since: NDArray[np.int64], reaction: NDArray[np.int64], size: int,
    place: dict[str, int],
) -> None:  # fmt: skip
    late = np.flatnonzero(reaction > (view.deadline_ns if view.deadline_ns is not None else np.iinfo(np.int64).max))
    late = late[np.argsort(reaction[late])[-density.MOST_MARKS :]]
    missed = np.flatnonzero(reaction == NO_STAMP)[: density.MOST_MARKS]
    ceiling = max(int(present(reaction).max()), view.deadline_ns or 0)
    for word, rows, heights, symbol, color in (
        ("late", late, reaction[late], "diamond", LIGHT["late"]),
        ("no answer of its own", missed, np.full(missed.size, int(ceiling * 1.15)), "x", LIGHT["missed"]),
    ):
        if rows.size:
            figure.add_scatter(
                x=since[rows] / 1e9, y=heights / size, mode="markers", name=word,
                marker={"symbol": symbol, "size": 9, "color": color, "line": {"width": 1, "color": LIGHT["panel"]}},
                hovertemplate="%{x:.6~g} s: " + word + "<extra>" + letter(index) + "</extra>", **place,
            )  # fmt: skip


def _heat(
    figure: go.Figure, x_edges: NDArray[np.float64], y_edges: NDArray[np.float64], counts: NDArray[np.int64],
    hover: str, index: int, place: dict[str, int],
) -> None:  # fmt: skip
    with np.errstate(divide="ignore"):
        shade = np.where(counts > 0, np.log10(counts), np.nan)
    figure.add_heatmap(
        x=x_edges, y=y_edges, z=shade, customdata=counts, coloraxis="coloraxis", hoverongaps=False, hovertemplate=hover,
        meta={"run": index}, **place,
    )  # fmt: skip
    top = max(1.0, float(np.nanmax(shade)) if counts.any() else 0.0, figure.layout.coloraxis.cmax or 0.0)
    figure.update_layout(
        coloraxis={
            "colorscale": style.DENSITY, "cmin": 0, "cmax": top,
            "colorbar": {"title": {"text": "count"}, "tickvals": list(range(int(top) + 1)), "thickness": 14,
                         "ticktext": [f"{10**d:,}" for d in range(int(top) + 1)], "outlinewidth": 0},
        }
    )  # fmt: skip
