"""A description of a figure as what the page's library (plotly.js) draws: plain dictionaries, JSON-ready.

Drawn in the light palette; the page's script swaps each colour for its dark one. Upright flags have a strip of their
own above their panel, which shares the panel's time axis: their words move with it when a reader zooms.
"""

from __future__ import annotations

import html
from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from edgereply.analysis.arrays.aliases import Floats, Int64s
from edgereply.report.figures import drawing as d
from edgereply.report.figures.theme import LIGHT
from edgereply.wording.numbers import clean

TEXT_PX: Final = 14
TINT: Final = 0.22
_ROW_PX: Final = 19
_TITLE_PX: Final = 24
_GAP_PX: Final = 14
_TICKS_PX: Final = 30
_TOP_PX: Final = 40
_BOTTOM_PX: Final = 68
# Characters of a flag's words that fit across a panel on a telephone; a wide window has room to spare.
_CHARACTERS: Final = 44
_SYMBOLS: Final = {"bar": "line-ns", "cross": "x-thin"}
_DENSITY: Final = [[i / 3, LIGHT[f"density{i}"]] for i in range(4)]


def page_drawing(drawing: d.Drawing) -> dict[str, Any]:
    """A figure for the page.

    Args:
        drawing: its description.

    Returns:
        `data` and `layout` of the library; a count of a heat map stands as it is in `z`, the page's script takes the
        logarithm.
    """
    traces: list[dict[str, Any]] = []
    layout = _layout(drawing)
    height = layout["height"]
    inner = height - _TOP_PX - layout["margin"]["b"]
    below = 0.0
    for number, panel in enumerate(drawing.panels):
        last = number == len(drawing.panels) - 1
        flags = [flag for flag in panel.flags if flag.axis == "x"]
        rows = d.flag_rows([flag for flag in flags if flag.text], panel.x, _CHARACTERS)
        strip = _ROW_PX * (max((row for row, _ in rows), default=-1) + 1)
        top = below + (_TITLE_PX if panel.title or panel.levels else 0) + strip
        bottom = top + panel.height
        place = _Place(
            number, panel, (1 - bottom / inner, 1 - top / inner), (1 - top / inner, 1 - (top - strip) / inner)
        )
        place.axes(layout, drawing.own_x or last, bool(strip), drawing.own_x)
        for item in panel.items:
            traces += _item(item, place)
        traces += _flags(panel, place, rows)
        line = 1 - (top - strip - 2) / inner
        if panel.title:
            layout["annotations"].append(_above(panel.title, "title", line, "left", "ink"))
        if panel.levels:
            color = next(flag.color for flag in panel.flags if flag.axis == "y")
            layout["annotations"].append(_above(panel.levels, "levels", line, "right", color))
        below = bottom + _GAP_PX + (_TICKS_PX + 20 if drawing.own_x else 0)
    named: set[str] = set()
    for trace in traces:
        # Panels share a key: each name stands in it once.
        trace["showlegend"] = trace.get("showlegend", False) and trace["name"] not in named
        named |= {trace["name"]} if trace["showlegend"] else set()
    if drawing.has_heat:
        layout["coloraxis"] = _scale(drawing.most)
    return {"data": traces, "layout": layout}


def _above(text: str, name: str, y: float, side: str, color: str) -> dict[str, Any]:
    return {
        "text": escaped(text),
        "name": name,
        "xref": "paper",
        "yref": "paper",
        "x": 0 if side == "left" else 1,
        "xanchor": side,
        "y": y,
        "yanchor": "bottom",
        "showarrow": False,
        "font": {"size": TEXT_PX, "color": LIGHT[color]},
    }


def escaped(text: str) -> str:
    """Text the drawing library shows as it is."""
    # The library reads a few tags and %{...} in labels; entities come out as the characters themselves.
    return html.escape(clean(text)).replace("%{", "%&#123;")


class _Place:
    """Where a panel's traces go: the names of its axes and its part of the height."""

    def __init__(self, number: int, panel: d.Panel, part: tuple[float, float], strip: tuple[float, float]) -> None:
        end = "" if number == 0 else str(2 * number + 1)
        self.x, self.y, self.over = f"x{end}", f"y{end}", f"y{2 * number + 2}"
        self.panel, self.part, self.strip = panel, part, strip

    @property
    def on(self) -> dict[str, str]:
        return {"xaxis": self.x, "yaxis": self.y}

    def axes(self, layout: dict[str, Any], ticks: bool, flags: bool, alone: bool) -> None:
        low, high = (min(1.0, max(0.0, end)) for end in self.part)
        x = _axis(self.panel.x) | {"anchor": self.y, "showticklabels": ticks}
        if not ticks:
            x["title"] = {"text": ""}
        if self.x != "x" and not alone:
            x["matches"] = "x"
        layout[f"xaxis{self.x[1:]}"] = x
        layout[f"yaxis{self.y[1:]}"] = _axis(self.panel.y) | {"anchor": self.x, "domain": [low, high]}
        if flags:
            rows = round((self.strip[1] - self.strip[0]) / max(1e-9, high - low) * self.panel.height / _ROW_PX)
            layout[f"yaxis{self.over[1:]}"] = {
                "anchor": self.x,
                "domain": [self.strip[0], min(1.0, self.strip[1])],
                "range": [0, max(1, rows)],
                "visible": False,
                "fixedrange": True,
            }


def _layout(drawing: d.Drawing) -> dict[str, Any]:
    height = _TOP_PX + _BOTTOM_PX - _GAP_PX
    for panel in drawing.panels:
        words = [flag for flag in panel.flags if flag.axis == "x" and flag.text]
        rows = max((row for row, _ in d.flag_rows(words, panel.x, _CHARACTERS)), default=-1) + 1
        height += panel.height + _GAP_PX + rows * _ROW_PX + (_TITLE_PX if panel.title or panel.levels else 0)
    if drawing.own_x:
        height += (_TICKS_PX + 20) * (len(drawing.panels) - 1)
    return {
        "meta": {"controls": list(drawing.switches)},
        "height": height,
        "autosize": True,
        "margin": {"l": 64, "r": 16, "t": _TOP_PX, "b": _BOTTOM_PX, "pad": 0},
        "paper_bgcolor": LIGHT["panel"],
        "plot_bgcolor": LIGHT["panel"],
        "font": {"color": LIGHT["ink"], "size": TEXT_PX, "family": "system-ui, sans-serif"},
        "hoverlabel": {"bgcolor": LIGHT["page"], "font": {"color": LIGHT["ink"]}, "bordercolor": LIGHT["rule"]},
        "title": {
            "text": f"measured by: {escaped(drawing.measured_by)}",
            "font": {"size": 13, "color": LIGHT["quiet"]},
            "x": 0,
            "xref": "paper",
            "xanchor": "left",
            "y": 1,
            "yref": "container",
            "yanchor": "top",
            "pad": {"t": 10},
        },
        "annotations": [],
        "barmode": "overlay",
        "uniformtext": {"mode": "hide", "minsize": 11},
        "showlegend": drawing.key,
        # A click on the key would bypass the page's own controls.
        "legend": {
            "orientation": "h",
            "yref": "container",
            "y": 0.01,
            "yanchor": "bottom",
            "x": 0,
            "xanchor": "left",
            "itemclick": False,
            "itemdoubleclick": False,
        },
    }


def _axis(axis: d.Axis) -> dict[str, Any]:
    ends = [axis.low, axis.high]
    made: dict[str, Any] = {
        "title": {"text": escaped(axis.title), "font": {"size": TEXT_PX}, "standoff": 8},
        "type": "log" if axis.log else "linear",
        "range": np.log10(ends).tolist() if axis.log else ends,
        "separatethousands": True,
        "exponentformat": "none",  # 5,000 µs, not 5k µs
        "showgrid": axis.lines,
        "gridcolor": LIGHT["grid"],
        "linecolor": LIGHT["rule"],
        "tickcolor": LIGHT["rule"],
        "zeroline": False,
        "ticks": "outside",
        "showline": True,
        "automargin": True,
        "fixedrange": axis.fixed,
        "tickfont": {"size": 13},
    }
    if axis.ticks:
        made |= {
            "tickvals": [at for at, _ in axis.ticks],
            "ticktext": [escaped(word) for _, word in axis.ticks],
            "tickangle": 0,
        }
    return made


def _scale(most: int) -> dict[str, Any]:
    top = max(1.0, float(np.log10(most)))
    powers = list(range(int(top) + 1))
    return {
        "colorscale": _DENSITY,
        "cmin": 0,
        "cmax": top,
        "colorbar": {
            "title": {"text": "count", "font": {"size": TEXT_PX}},
            "tickvals": powers,
            "ticktext": [f"{10**p:,}" for p in powers],
            "thickness": 14,
            "outlinewidth": 0,
        },
    }


def _item(item: d.Item, place: _Place) -> list[dict[str, Any]]:
    if isinstance(item, d.Heat):
        return [
            {
                "type": "heatmap",
                "x": numbers(item.x_edges),
                "y": numbers(item.y_edges),
                "z": item.counts.tolist(),
                "coloraxis": "coloraxis",
                "hoverongaps": False,
                "meta": {"run": item.run},
                "hovertemplate": f"%{{customdata:,}} {escaped(item.what)}<extra></extra>",
                **place.on,
            }
        ]
    if isinstance(item, d.Boxes):
        return _boxes(item, place)
    if isinstance(item, d.Words):
        # Above the place, where the library would set the words' middle.
        side = {"right": "right", "left": "left", "center": "center"}[item.side]
        up = "top" if item.lift > 0 else "bottom" if item.lift < 0 else "middle"
        return [
            {
                "type": "scatter",
                "mode": "text",
                "x": [item.x],
                "y": [item.y],
                "text": [escaped(item.text)],
                "textposition": f"{up} {side}",
                "textfont": {"color": LIGHT[item.color]},
                "hoverinfo": "skip",
                "showlegend": False,
                "cliponaxis": False,
                **place.on,
            }
        ]
    trace: dict[str, Any] = {
        "type": "scatter",
        "x": numbers(item.x),
        "y": numbers(item.y),
        "name": escaped(item.name),
        "showlegend": bool(item.name),
        "legendgroup": escaped(item.name),
        **place.on,
    }
    if item.run is not None:
        trace["meta"] = {"run": item.run}
    if item.hover:
        trace |= {"text": [escaped(text) for text in item.hover], "hoverinfo": "text"}
    else:
        trace["hoverinfo"] = "skip"
    if isinstance(item, d.Curve):
        trace |= {
            "mode": "lines",
            "opacity": item.opacity,
            "line": {"color": LIGHT[item.color], "dash": item.dash, "width": item.width},
        }
        if not item.filled:
            return [trace]
        # A colour of the palette has no transparency of its own: the tint is a trace by itself.
        tint = {key: trace[key] for key in ("type", "x", "y", "mode", "xaxis", "yaxis", "meta") if key in trace}
        return [
            tint
            | {
                "fill": "toself",
                "fillcolor": LIGHT[item.color],
                "opacity": TINT,
                "hoverinfo": "skip",
                "line": {"width": 0, "color": LIGHT[item.color]},
                "showlegend": False,
            },
            trace,
        ]
    symbol = f"{_SYMBOLS.get(item.symbol, item.symbol)}{'-open' if item.hollow else ''}"
    trace |= {
        "mode": "markers",
        "marker": {
            "symbol": symbol,
            "size": item.size,
            "color": LIGHT[item.color],
            "line": {
                "width": 2.5 if symbol.endswith(("-ns", "-thin", "-open")) else 1,
                "color": LIGHT[item.color] if symbol.endswith(("-ns", "-thin", "-open")) else LIGHT["panel"],
            },
        },
    }
    if item.low:
        trace["error_y"] = {
            "array": [high - y for high, y in zip(item.high, trace["y"], strict=True)],
            "arrayminus": [y - low for low, y in zip(item.low, trace["y"], strict=True)],
            "thickness": 2,
            "width": 5,
            "color": LIGHT[item.color],
        }
    return [trace]


def _boxes(item: d.Boxes, place: _Place) -> list[dict[str, Any]]:
    bars: dict[str, Any] = {
        "type": "bar",
        "orientation": "h",
        "base": numbers([left for left, _ in item.x]),
        "x": numbers([right - left for left, right in item.x]),
        "y": numbers([(low + high) / 2 for low, high in item.y]),
        "width": numbers([high - low for low, high in item.y]),
        "name": escaped(item.name),
        "showlegend": bool(item.name),
        "legendgroup": escaped(item.name),
        "textposition": "inside",
        "insidetextanchor": "middle",
        "textangle": 0,
        "constraintext": "inside",
        "textfont": {"color": LIGHT["panel"]},
        "marker": {"color": LIGHT[item.color], "line": {"width": 1, "color": LIGHT["panel"]}},
        **place.on,
    }
    if item.words:
        bars["text"] = [escaped(text) for text in item.words]
    bars |= (
        {"hovertext": [escaped(text) for text in item.hover], "hoverinfo": "text"}
        if item.hover
        else {"hoverinfo": "skip"}
    )
    if item.run is not None:
        bars["meta"] = {"run": item.run}
    return [bars]


def _flags(panel: d.Panel, place: _Place, rows: Sequence[tuple[int, d.Side]]) -> list[dict[str, Any]]:
    made: list[dict[str, Any]] = []
    laid = iter(rows)
    for flag in panel.flags:
        color = LIGHT[flag.color]
        # A trace, not a shape: its words move with it when the axis is switched or zoomed.
        base = {
            "type": "scatter",
            "name": "flag",
            "showlegend": False,
            "hoverinfo": "skip",
            "line": {"color": color, "dash": flag.dash, "width": 2},
            "textfont": {"color": color},
            "cliponaxis": True,
        }
        if flag.axis == "y":
            ends = [panel.x.low, panel.x.high]
            made.append(base | {"mode": "lines", "x": ends, "y": [flag.at] * 2, **place.on})
            continue
        made.append(base | {"mode": "lines", "x": [flag.at] * 2, "y": [panel.y.low, panel.y.high], **place.on})
        if flag.text:
            row, side = next(laid)
            made.append(
                base
                | {
                    "mode": "lines+text",
                    "x": [flag.at] * 2,
                    "y": [0, row + 0.5],
                    "text": ["", f"\u00a0{escaped(flag.text)}\u00a0"],
                    "textposition": f"middle {side}",
                    "cliponaxis": False,
                    "xaxis": place.x,
                    "yaxis": place.over,
                }
            )
    return made


def numbers(values: Sequence[float] | Floats | Int64s) -> list[float]:
    """Values with seven digits, which no screen resolves, as short text in the page."""
    return [float(f"{value:.7g}") for value in np.asarray(values, np.float64).tolist()]
