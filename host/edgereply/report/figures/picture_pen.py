"""The pen of `pictures`: measures words before they are placed, and draws what stands in a panel."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Any, Final

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import LinearSegmentedColormap, LogNorm
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from edgereply.report.figures import drawing as d
from edgereply.report.figures.page_drawing import TINT
from edgereply.wording.numbers import clean

TEXT_PX: Final = 22
_AT: Final = (1280, 720)
_LEAST_PX: Final = 7.0
# One inch has so many pixels: a point, the library's unit of length, is then a pixel.
DPI: Final = 72
STYLE: Final[Any] = {
    "font.family": "DejaVu Sans",
    "svg.fonttype": "path",
    "svg.hashsalt": "edgereply",
    "pdf.fonttype": 42,
    "path.simplify": False,
    "text.usetex": False,
    "text.parse_math": False,
    "axes.unicode_minus": True,
}
DASHES: Final[dict[str, Any]] = {
    "solid": "-",
    "dash": (0, (5, 3)),
    "dot": (0, (1.2, 2)),
    "dashdot": (0, (5, 2, 1.2, 2)),
    "longdash": (0, (9, 3)),
    "longdashdot": (0, (9, 2.5, 1.2, 2.5)),
}
_SYMBOLS: Final = {
    "circle": "o",
    "square": "s",
    "diamond": "D",
    "triangle-up": "^",
    "pentagon": "p",
    "star": "*",
    "bar": "|",
    "cross": "x",
}


@lru_cache(10_000)
def _wide(text: str, size: float, bold: bool) -> float:
    with mpl.rc_context(STYLE):
        sheet = Figure(dpi=DPI)
        made = sheet.text(0, 0, text, fontsize=size, fontweight="bold" if bold else "normal")
        return float(made.get_window_extent(FigureCanvasAgg(sheet).get_renderer()).width)  # type: ignore[no-untyped-call]


class Pen:
    """One picture in the making; all lengths are pixels from the lower left corner."""

    def __init__(self, width: int, height: int, palette: Mapping[str, str]) -> None:
        self.width, self.height, self.palette = width, height, palette
        self.most = 0
        self.scale = max(_LEAST_PX / TEXT_PX, min(width / _AT[0], height / _AT[1]))
        self.text = TEXT_PX * self.scale
        self.line = 1.32 * self.text
        self.pad = 0.8 * self.text
        self.figure = Figure(figsize=(width / DPI, height / DPI), dpi=DPI, facecolor=palette["panel"])
        canvas = FigureCanvasAgg(self.figure)
        self.renderer = canvas.get_renderer()  # type: ignore[no-untyped-call]

    def wide(self, text: str, size: float | None = None, bold: bool = False) -> float:
        """Pixels that a text is wide."""
        return _wide(text, size or self.text, bold)

    def fitted(self, text: str, room: float, size: float | None = None, bold: bool = False) -> str:
        """A text, shortened with an ellipsis where it is wider than the room."""
        text = clean(text)
        if self.wide(text, size, bold) <= room:
            return text
        low, high = 0, len(text)
        while low < high:
            middle = (low + high + 1) // 2
            low, high = (middle, high) if self.wide(text[:middle] + "…", size, bold) <= room else (low, middle - 1)
        return text[:low].rstrip() + "…"

    def folded(self, text: str, room: float, size: float | None = None) -> list[str]:
        """A text in lines that fit the room."""
        lines: list[str] = []
        for word in clean(text).split():
            longer = f"{lines[-1]} {word}" if lines else word
            if lines and self.wide(longer, size) <= room:
                lines[-1] = longer
            else:
                lines.append(word)
        return [self.fitted(line, room, size) for line in lines]

    def say(self, x: float, y: float, text: str, color: str = "ink", **more: Any) -> Any:
        """A text of the figure itself."""
        options: dict[str, Any] = {"fontsize": self.text, "color": self.palette[color], "va": "baseline"} | more
        return self.figure.text(x / self.width, y / self.height, text, **options)

    def item(self, axes: Axes, item: d.Item, text: float) -> None:
        if isinstance(item, d.Heat):
            levels = LinearSegmentedColormap.from_list("counts", [self.palette[f"density{i}"] for i in range(4)])
            cells = np.ma.masked_equal(item.counts, 0)
            axes.pcolormesh(
                item.x_edges,
                item.y_edges,
                cells,
                cmap=levels,
                norm=LogNorm(1, max(10, self.most)),
                rasterized=True,
                zorder=2,
            )
            return
        color = self.palette[item.color]
        if isinstance(item, d.Boxes):
            self._boxes(axes, item, color)
        elif isinstance(item, d.Words):
            ha = {"right": "left", "left": "right", "center": "center"}[item.side]
            aside = {"right": 0.45, "left": -0.45, "center": 0.0}[item.side] * text
            axes.annotate(
                clean(item.text),
                (item.x, item.y),
                (aside, item.lift * self.line),
                textcoords="offset pixels",
                fontsize=text,
                color=color,
                ha=ha,
                va="center",
                annotation_clip=False,
                fontweight="bold" if item.bold else "normal",
                zorder=5,
                # A line that crosses a number, a deadline say, would strike it out.
                bbox={"facecolor": self.palette["panel"], "edgecolor": "none", "pad": 0.08 * text},
            )
        elif isinstance(item, d.Curve):
            x, y = np.asarray(item.x, np.float64), np.asarray(item.y, np.float64)
            if item.filled:
                axes.fill(x, y, color=color, alpha=TINT, linewidth=0, zorder=2)
            axes.plot(
                x,
                y,
                color=color,
                linestyle=DASHES[item.dash],
                linewidth=1.5 * item.width * self.scale,
                alpha=item.opacity,
                solid_joinstyle="miter",
                solid_capstyle="butt",
                zorder=3,
            )
        else:
            x, y = np.asarray(item.x, np.float64), np.asarray(item.y, np.float64)
            if item.low:
                ends = [y - np.asarray(item.low), np.asarray(item.high) - y]
                axes.errorbar(
                    x,
                    y,
                    yerr=ends,
                    fmt="none",
                    ecolor=color,
                    elinewidth=2.4 * self.scale,
                    capsize=5 * self.scale,
                    capthick=2.4 * self.scale,
                    zorder=3,
                )
            axes.plot(x, y, linestyle="none", zorder=4, clip_on=False, **marker(item, color, self.palette, self.scale))

    def _boxes(self, axes: Axes, item: d.Boxes, color: str) -> None:
        for number, ((left, right), (low, high)) in enumerate(zip(item.x, item.y, strict=True)):
            axes.add_patch(
                Rectangle(
                    (left, low),
                    right - left,
                    high - low,
                    facecolor=color,
                    edgecolor=self.palette["panel"],
                    linewidth=1.2 * self.scale,
                    zorder=2,
                )
            )
            word = item.words[number] if item.words else ""
            ends = axes.transData.transform([(left, low), (right, high)])
            wide, tall = ends[1] - ends[0]
            if word and self.wide(word) + 0.5 * self.text <= wide and 1.1 * self.text <= tall:
                axes.text(
                    (left + right) / 2,
                    (low + high) / 2,
                    word,
                    fontsize=self.text,
                    color=self.palette["panel"],
                    ha="center",
                    va="center_baseline",
                    zorder=5,
                )


def marker(item: d.Points, color: str, palette: Mapping[str, str], scale: float) -> dict[str, Any]:
    thin = item.symbol in ("bar", "cross")
    return {
        "marker": _SYMBOLS[item.symbol],
        "markersize": 1.55 * item.size * scale,
        "color": color,
        "markerfacecolor": palette["panel"] if item.hollow else color,
        "markeredgewidth": (3.2 if thin or item.hollow else 1.2) * scale,
        "markeredgecolor": color if thin or item.hollow else palette["panel"],
    }
