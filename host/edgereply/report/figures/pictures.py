"""Figures as files for slides and papers, drawn by matplotlib: drawn with `picture_pen`. No browser is needed.

A file has exactly the pixels asked for. Text is 22 pixels high at 1280x720 and grows and shrinks with the picture, so
that it can be read in a film of a slide. What stands around the panels is measured before they are placed: no label
is cut off, and what is shortened ends in an ellipsis.
"""

from __future__ import annotations

import io
import re
from collections.abc import Mapping
from typing import Any, Final, Literal

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap, LogNorm
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullFormatter, NullLocator

from edgereply.report.figures import drawing as d
from edgereply.report.figures.picture_pen import DASHES, DPI, STYLE, Pen, marker
from edgereply.report.figures.theme import DARK, LIGHT
from edgereply.wording.numbers import clean

FORMATS: Final = ("svg", "png", "pdf")
# Cells of a heat map in a vector file are a bitmap so many times finer.
_FINER: Final = 3


def picture(drawing: d.Drawing, kind: str, width: int, height: int, title: str, dark: bool = False) -> bytes:
    """Draw a figure into a file.

    Args:
        drawing: its description.
        kind: of `FORMATS`.
        width: pixels; in a PDF points.
        height: pixels.
        title: first line of the picture; how the times were measured is the second.
        dark: light marks on a dark ground.

    Returns:
        The file's content, the same for the same figure.
    """
    with mpl.rc_context(STYLE):
        figure = draw(drawing, width, height, title, DARK if dark else LIGHT)
        return _written(figure, kind, width, height, title)


def draw(drawing: d.Drawing, width: int, height: int, title: str, palette: Mapping[str, str]) -> Figure:
    """The same as the library's figure; call it within the style of `picture`."""
    return _Sheet(drawing, width, height, palette).drawn(title)


def _written(figure: Figure, kind: str, width: int, height: int, title: str) -> bytes:
    content = io.BytesIO()
    # No date: the same run gives the same file.
    every: dict[str, dict[str, Any]] = {
        "svg": {"Date": None, "Title": clean(title)},
        "pdf": {"CreationDate": None, "Title": clean(title)},
        "png": {"Software": "edgereply"},
    }
    about = every[kind]
    dots = DPI if kind == "png" else DPI * _FINER
    figure.savefig(content, format=kind, dpi=dots, metadata=about, facecolor=figure.get_facecolor())
    if kind != "svg":
        return content.getvalue()
    text = content.getvalue().decode()
    size = f'width="{width}" height="{height}"'
    return re.sub(r'width="[\d.]+pt" height="[\d.]+pt"', size, text, count=1).encode()


class _Sheet(Pen):
    """One picture in the making; all lengths are pixels from the lower left corner."""

    def __init__(self, drawing: d.Drawing, width: int, height: int, palette: Mapping[str, str]) -> None:
        super().__init__(width, height, palette)
        self.drawing, self.most = drawing, drawing.most

    def drawn(self, title: str) -> Figure:
        top = self.height - 0.6 * self.pad
        top = self._words_from_top(title, top, 1.15, "ink", True)
        top = (
            self._words_from_top(f"measured by: {self.drawing.measured_by}", top, 1.0, "quiet", False)
            - 0.25 * self.line
        )
        bottom = self._notes(0.55 * self.pad)
        bottom = self._key(bottom)
        left, right = self._sides()
        self._panels(left, right, bottom, top)
        return self.figure

    def _words_from_top(self, text: str, top: float, factor: float, color: str, bold: bool) -> float:
        size = self.text * factor
        self.say(
            self.pad,
            top - 1.05 * size,
            self.fitted(text, self.width - 2 * self.pad, size, bold),
            color,
            fontsize=size,
            fontweight="bold" if bold else "normal",
        )
        return top - 1.32 * size

    def _notes(self, bottom: float) -> float:
        room = self.width - 2 * self.pad
        lines = [line for note in self.drawing.notes for line in self.folded(note, room)]
        for number, line in enumerate(reversed(lines)):
            self.say(self.pad, bottom + number * self.line + 0.2 * self.text, line, "quiet")
        return bottom + len(lines) * self.line

    def _key(self, bottom: float) -> float:
        if not self.drawing.key:
            return bottom
        entries: dict[str, Any] = {}
        for panel in self.drawing.panels:
            for item in panel.items:
                name = getattr(item, "name", "")
                if name and name not in entries:
                    entries[name] = self._sample(item)
        if not entries:
            return bottom
        room, sample = self.width - 2 * self.pad, 3.2 * self.text
        widest = max(self.wide(clean(name)) for name in entries) + sample
        # A picture keeps at least half its height for the panels: more names stand closer beside each other.
        most_rows = max(1, int(0.4 * self.height / self.line))
        columns = max(1, min(int(room / widest), len(entries)), -(-len(entries) // most_rows))
        rows = -(-len(entries) // columns)
        each = room / columns
        for number, (name, handle) in enumerate(entries.items()):
            column, row = divmod(number, rows)
            x, y = self.pad + column * each, bottom + (rows - 1 - row) * self.line + 0.2 * self.text
            self._key_sample(handle, x, y)
            self.say(x + 2.5 * self.text, y, self.fitted(name, each - sample))
        return bottom + rows * self.line + 0.2 * self.text

    def _sample(self, item: d.Item) -> Any:
        color = self.palette[getattr(item, "color", "ink")]
        if isinstance(item, d.Boxes):
            return Patch(facecolor=color)
        if isinstance(item, d.Points):
            return Line2D([], [], **marker(item, color, self.palette, self.scale), linestyle="none")
        assert isinstance(item, d.Curve)
        return Line2D([], [], color=color, linestyle=DASHES[item.dash], linewidth=1.6 * item.width * self.scale)

    def _key_sample(self, handle: Any, x: float, y: float) -> None:
        middle, wide = y + 0.36 * self.text, 2 * self.text
        if isinstance(handle, Patch):
            handle = Rectangle(
                (x / self.width, y / self.height),
                wide / self.width,
                0.75 * self.text / self.height,
                facecolor=handle.get_facecolor(),
                transform=self.figure.transFigure,
            )
        else:
            dot = handle.get_marker() not in ("None", None, "")
            places = [x + wide / 2] if dot else [x, x + wide]
            handle.set_data([place / self.width for place in places], [middle / self.height] * len(places))
            handle.set_transform(self.figure.transFigure)
        self.figure.add_artist(handle)

    def _sides(self) -> tuple[float, float]:
        """Room left and right of the panels for ticks, titles and the scale of counts."""
        ticks = [word for panel in self.drawing.panels for _, word in panel.y.ticks]
        for panel in self.drawing.panels:
            if not panel.y.ticks:
                locator = MaxNLocator(5)
                ticks += [_number(at) for at in locator.tick_values(panel.y.low, panel.y.high)]
        widest = min(max((self.wide(clean(word)) for word in ticks), default=0.0), 0.34 * self.width)
        titled = any(panel.y.title for panel in self.drawing.panels)
        left = self.pad + widest + 0.55 * self.text + (1.35 * self.line if titled else 0.0)
        right = self.pad
        if self.drawing.has_heat:
            right += 1.5 * self.text + self.wide(f"{10 ** int(np.log10(self.drawing.most)):,}") + 0.9 * self.text
        ends = [word for panel in self.drawing.panels for _, word in panel.x.ticks]
        return left, max(right, self.pad, max((self.wide(word) / 2 for word in ends), default=0.0) + 0.3 * self.pad)

    def _panels(self, left: float, right: float, bottom: float, top: float) -> None:
        panels = self.drawing.panels
        room = self.width - left - right
        characters = room / self.wide("x" * 20) * 20
        rows = [d.flag_rows([f for f in p.flags if f.axis == "x" and f.text], p.x, characters) for p in panels]
        last = len(panels) - 1
        above = [
            (self.line if p.title or p.levels else 0.0) + self.line * (max((r for r, _ in found), default=-1) + 1)
            for p, found in zip(panels, rows, strict=True)
        ]
        below = [
            1.35 * self.line + (self.line if p.x.title else 0.0)
            if self.drawing.own_x or n == last
            else 0.35 * self.line
            for n, p in enumerate(panels)
        ]
        share = max(1.0, top - bottom - sum(above) - sum(below)) / sum(panel.height for panel in panels)
        # Panels below each other share one title of their y axes.
        spans: dict[str, list[tuple[float, float]]] = {}
        at = top
        for number, panel in enumerate(panels):
            tall = share * panel.height
            at -= above[number] + tall
            axes = self.figure.add_axes(
                (left / self.width, at / self.height, room / self.width, tall / self.height),
                facecolor=self.palette["panel"],
            )
            self._axes(axes, panel, room, tall, self.drawing.own_x or number == last)
            for item in panel.items:
                self.item(axes, item, self._row_text(panel, tall))
            self._flags(axes, panel, rows[number], tall)
            line, levels = at + tall + above[number] - 0.95 * self.text, panel.levels
            if levels:
                color = next(flag.color for flag in panel.flags if flag.axis == "y")
                self.say(left + room, line, self.fitted(levels, room), color, ha="right")
            if panel.title:
                self.say(left, line, self.fitted(panel.title, room - self.wide(levels + "xx" if levels else "")))
            if panel.y.title:
                spans.setdefault(panel.y.title, []).append((at, at + tall))
            at -= below[number]
        for title, ends in spans.items():
            low, high = min(end for end, _ in ends), max(end for _, end in ends)
            self.say(
                0.55 * self.pad + self.text,
                (low + high) / 2,
                self.fitted(title, high - low + self.line),
                rotation=90,
                va="center",
                ha="right",
            )
        if self.drawing.has_heat:
            self._scale(self.width - right, bottom + below[last], top - above[0])

    def _axes(self, axes: Axes, panel: d.Panel, room: float, tall: float, ticked: bool) -> None:
        ways: tuple[tuple[Literal["x", "y"], d.Axis, float], ...] = (("x", panel.x, room), ("y", panel.y, tall))
        for name, axis, length in ways:
            if axis.log:
                getattr(axes, f"set_{name}scale")("log")
            getattr(axes, f"set_{name}lim")(axis.low, axis.high)
            side = getattr(axes, f"{name}axis")
            side.set_minor_locator(NullLocator())
            side.set_minor_formatter(NullFormatter())
            if axis.ticks:
                every = bool(panel.rows) and name == "y"
                kept = list(axis.ticks) if every else self._thinned(axis, length, name == "x")
                side.set_major_locator(FixedLocator([at for at, _ in kept]))
                most = 0.34 * self.width
                side.set_ticklabels([self.fitted(word, most) for _, word in kept])
            else:
                step = 6.0 if name == "x" else 2.2
                side.set_major_locator(MaxNLocator(max(2, min(8, int(length / (step * self.text))))))
                side.set_major_formatter(FuncFormatter(lambda value, _: _number(value)))
            if axis.lines:
                axes.grid(True, axis=name, color=self.palette["grid"], linewidth=1.2 * self.scale)
        axes.set_axisbelow(True)
        axes.tick_params(
            labelsize=self.text,
            colors=self.palette["ink"],
            length=6 * self.scale,
            width=1.3 * self.scale,
            pad=0.25 * self.text,
            color=self.palette["rule"],
            labelbottom=ticked,
        )
        if panel.rows:
            axes.tick_params(axis="y", labelsize=self._row_text(panel, tall), length=0)
        for spine in axes.spines.values():
            spine.set_color(self.palette["rule"])
            spine.set_linewidth(1.3 * self.scale)
        axes.spines["top"].set_visible(False)
        axes.spines["right"].set_visible(False)
        if ticked and panel.x.title:
            axes.set_xlabel(panel.x.title, fontsize=self.text, color=self.palette["ink"], labelpad=0.1 * self.text)

    def _row_text(self, panel: d.Panel, tall: float) -> float:
        """Height of the words in a panel of rows."""
        return min(self.text, 0.9 * tall / panel.rows) if panel.rows else self.text

    def _thinned(self, axis: d.Axis, length: float, along_x: bool) -> list[tuple[float, str]]:
        """Ticks whose words do not run into each other; round ones (1, then 5, then 2) go first."""
        inside = [tick for tick in axis.ticks if -1e-9 <= axis.share(tick[0]) <= 1 + 1e-9]
        order = sorted(inside, key=lambda tick: "152".find(f"{tick[0]:e}"[0]) if axis.log else 0)
        kept: list[tuple[float, str, float, float]] = []
        for at, word in order:
            middle = axis.share(at) * length
            half = (self.wide(word) + 0.8 * self.text) / 2 if along_x else 0.55 * self.text
            if all(middle + half <= low or middle - half >= high for _, _, low, high in kept):
                kept.append((at, word, middle - half, middle + half))
        return sorted((at, word) for at, word, _, _ in kept)

    def _flags(self, axes: Axes, panel: d.Panel, rows: list[tuple[int, d.Side]], tall: float) -> None:
        laid = iter(rows)
        for flag in panel.flags:
            color = self.palette[flag.color]
            look: dict[str, Any] = {
                "color": color,
                "linestyle": DASHES[flag.dash],
                "linewidth": 2.6 * self.scale,
                "zorder": 4,
            }
            if flag.axis == "y":
                axes.axhline(flag.at, **look)
                continue
            axes.axvline(flag.at, **look)
            if not flag.text:
                continue
            row, side = next(laid)
            up = 1 + (row + 0.62) * self.line / tall
            axes.plot([flag.at] * 2, [1, up], transform=axes.get_xaxis_transform(), clip_on=False, **look)
            axes.annotate(
                flag.text,
                (flag.at, up),
                ((0.35 if side == "right" else -0.35) * self.text, -0.1 * self.text),
                xycoords=axes.get_xaxis_transform(),
                textcoords="offset pixels",
                fontsize=self.text,
                color=color,
                ha="left" if side == "right" else "right",
                va="center",
                annotation_clip=False,
            )

    def _scale(self, x: float, bottom: float, top: float) -> None:
        """The scale of counts, right of the panels."""
        wide, most = 0.8 * self.text, max(10, self.drawing.most)
        tall = min(top - bottom - 1.6 * self.line, 12 * self.line)
        box = ((x + 0.5 * self.text) / self.width, bottom / self.height, wide / self.width, tall / self.height)
        axes = self.figure.add_axes(box)
        levels = LinearSegmentedColormap.from_list("counts", [self.palette[f"density{i}"] for i in range(4)])
        edges = np.geomspace(1, most, 129)
        axes.pcolormesh(
            [0, 1], edges, np.sqrt(edges[1:] * edges[:-1])[:, None], cmap=levels, norm=LogNorm(1, most), rasterized=True
        )
        axes.set_yscale("log")
        axes.set_ylim(1, most)
        axes.yaxis.tick_right()
        axes.xaxis.set_major_locator(NullLocator())
        axes.yaxis.set_minor_locator(NullLocator())
        powers = [10**power for power in range(int(np.log10(most)) + 1)]
        axes.yaxis.set_major_locator(FixedLocator(powers))
        axes.set_yticklabels([f"{power:,}" for power in powers])
        axes.tick_params(labelsize=self.text, colors=self.palette["ink"], length=4 * self.scale, pad=0.2 * self.text)
        for spine in axes.spines.values():
            spine.set_visible(False)
        self.say(x + 0.5 * self.text, bottom + tall + 0.75 * self.text, "count")


def _number(value: float) -> str:
    return f"{value:,.10g}".replace("-", "−")
