"""What a figure holds, said once: panels, axes, curves, marks and notes. Nothing here draws.

`page_drawing` turns a description into what the page's library draws, `pictures` into files. Positions are numbers in
the units of the axis; colours are names of `theme`, so that a light and a dark drawing come from the same description.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import combinations
from typing import Literal

import numpy as np

from edgereply.analysis.arrays.aliases import Floats, Int64s

Side = Literal["left", "right", "center"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """One axis.

    Attributes:
        title: with its unit; "" for none.
        low: where it begins, greater than 0 on a logarithmic axis.
        high: where it ends, greater than `low`.
        log: equal ratios are equal lengths.
        ticks: positions and their words, rising; () leaves them to the library.
        fixed: a reader's zoom does not move it.
        lines: a line across the panel at each tick.
    """

    title: str = ""
    low: float
    high: float
    log: bool = False
    ticks: tuple[tuple[float, str], ...] = ()
    fixed: bool = False
    lines: bool = True

    def share(self, value: float) -> float:
        """Where a value lies, 0 at the beginning and 1 at the end."""
        if self.log:
            if value <= 0:
                return 0.0
            return math.log(value / self.low) / math.log(self.high / self.low)
        return (value - self.low) / (self.high - self.low)


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """Points joined by straight lines.

    Attributes:
        x, y: shape (n,), steps are given with both their ends.
        color: name in the palette.
        dash: of `theme.DASHES`.
        width: pixels on the page.
        filled: the area below is tinted; the curve then begins and ends at its foot.
        name: in the key; "" stays out of it.
        run: number of the run it belongs to, which the page can hide; None for none.
        hover: a text for each point.
        opacity: 0 to 1.
    """

    x: Sequence[float] | Floats | Int64s
    y: Sequence[float] | Floats | Int64s
    color: str
    dash: str = "solid"
    width: float = 2.0
    filled: bool = False
    name: str = ""
    run: int | None = None
    hover: Sequence[str] = ()
    opacity: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Points:
    """Single marks; attributes as of `Curve`.

    Attributes:
        symbol: of `theme.MARKERS` or "bar" (upright), "cross".
        size: pixels on the page.
        low, high: ends of an error bar along y for each point; () for none.
        hollow: an outline alone, for a value that is rough.
    """

    x: Sequence[float] | Floats | Int64s
    y: Sequence[float] | Floats | Int64s
    color: str
    symbol: str = "circle"
    size: float = 8.0
    name: str = ""
    run: int | None = None
    hover: Sequence[str] = ()
    low: Sequence[float] = ()
    high: Sequence[float] = ()
    hollow: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Heat:
    """Counts on a grid as brightness, by the logarithm of the count; 0 stays empty.

    Attributes:
        x_edges: shape (nx + 1,), rising.
        y_edges: shape (ny + 1,), rising.
        counts: shape (ny, nx), int64.
        what: what is counted, such as "answers".
        run: number of the run.
    """

    x_edges: Floats
    y_edges: Floats
    counts: Int64s
    what: str = "answers"
    run: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Boxes:
    """Upright rectangles, with words inside where there is room.

    Attributes:
        x: shape (n, 2), left and right ends.
        y: shape (n, 2), lower and upper ends.
        color: name in the palette.
        name: in the key; "" stays out of it.
        words: one for each, "" for none.
        hover: a text for each.
        run: number of the run.
    """

    x: Sequence[tuple[float, float]]
    y: Sequence[tuple[float, float]]
    color: str
    name: str = ""
    words: Sequence[str] = ()
    hover: Sequence[str] = ()
    run: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """A text at a place; `side` is where it lies from there, `lift` how many lines above (negative: below)."""

    x: float
    y: float
    text: str
    color: str = "ink"
    side: Side = "right"
    lift: float = 0.0
    bold: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Flag:
    """A line right across a panel at one value of an axis, with words at its end.

    Attributes:
        at: where.
        text: "" for a line alone.
        axis: "x" stands upright, its words above the panel; "y" lies, its words right above the panel.
        color: name in the palette.
        dash: of `theme.DASHES`.
    """

    at: float
    text: str
    axis: Literal["x", "y"] = "x"
    color: str = "ink"
    dash: str = "solid"


Item = Curve | Points | Heat | Boxes | Words


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """One pair of axes.

    Attributes:
        x, y: its axes; `x.title` is written below.
        items: drawn in this order.
        flags: drawn over them.
        title: above it; "" for none.
        height: pixels on the page; files share theirs out in the same proportion.
        rows: of a panel with a row for each run: no row's name is left out, the words shrink where rows are close;
            0 for another panel.
    """

    x: Axis
    y: Axis
    items: tuple[Item, ...] = ()
    flags: tuple[Flag, ...] = ()
    title: str = ""
    height: int = 300
    rows: int = 0

    @property
    def levels(self) -> str:
        """Words of the flags that lie, beside a sample of their line."""
        return "   ".join(f"– – {flag.text}" for flag in self.flags if flag.axis == "y" and flag.text)


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """A whole figure.

    Attributes:
        panels: from the top down.
        measured_by: how the times were taken, in words; stands in every drawing.
        notes: what the figure leaves out or does with its axes; one sentence each.
        switches: axes a reader may switch between linear and logarithmic.
        key: whether names are explained below.
        ticks_below: every panel has its own ticks on the x axis; otherwise only the lowest.
    """

    panels: tuple[Panel, ...]
    measured_by: str
    notes: tuple[str, ...] = ()
    switches: tuple[Literal["x", "y"], ...] = ()
    key: bool = False
    own_x: bool = False
    most: int = field(init=False, default=0)

    def __post_init__(self) -> None:
        counts = [
            int(item.counts.max())
            for panel in self.panels
            for item in panel.items
            if isinstance(item, Heat) and item.counts.size
        ]
        object.__setattr__(self, "most", max(counts, default=0))

    @property
    def has_heat(self) -> bool:
        """Whether brightness counts something."""
        return self.most > 0


def steps(edges: Floats, heights: Floats, foot: float) -> tuple[Floats, Floats]:
    """A stepped outline with both ends of every step, from its foot and back.

    Args:
        edges: shape (k + 1,), rising.
        heights: shape (k,).
        foot: where it begins and ends.

    Returns:
        x and y, each shape (2 k + 2,): no library has to know what a step is.
    """
    x = np.repeat(np.asarray(edges, np.float64), 2)
    y = np.concatenate([[foot], np.repeat(np.asarray(heights, np.float64), 2), [foot]])
    return x, y


def flag_rows(flags: Sequence[Flag], axis: Axis, characters: float) -> list[tuple[int, Side]]:
    """Rows above a panel so that no words of upright flags run into each other or across another's line.

    A line rises as far as its own row; so where words reach over another flag's line, that flag must stand lower. Words
    stand towards the middle, so that none leaves the panel. Two flags on either side of the middle can each reach over
    the other's line: then words are turned outwards, as few as need be, where the panel has room for them. The few
    flags of a figure are tried in all ways, fewest turned and fewest rows first; with words of at most a third of the
    panel some way always fits two flags. Where none fits, each flag gets a row of its own, and a line may cross words.

    Args:
        flags: upright ones.
        axis: along which they stand.
        characters: how many fit across the panel.

    Returns:
        Row, 0 next to the panel, and the side of the words, for each flag.
    """
    at = [min(1.0, max(0.0, axis.share(flag.at))) for flag in flags]
    inward: list[Side] = ["right" if place < 0.5 else "left" for place in at]
    wide = [(len(flag.text) + 1.5) / characters for flag in flags]
    outward_fits = [i for i in range(len(flags)) if (at[i] >= wide[i] if at[i] < 0.5 else at[i] + wide[i] <= 1.0)]
    for turned in (some for count in range(len(outward_fits) + 1) for some in combinations(outward_fits, count)):
        sides = [_other(side) if i in turned else side for i, side in enumerate(inward)]
        spans = [(p, p + w) if side == "right" else (p - w, p) for p, w, side in zip(at, wide, sides, strict=True)]
        for most in range(1, len(flags) + 1):
            if rows := _placed(at, spans, most):
                return list(zip(rows, sides, strict=True))
    return list(enumerate(inward))


def _other(side: Side) -> Side:
    return "left" if side == "right" else "right"


def _placed(at: Sequence[float], spans: Sequence[tuple[float, float]], most: int) -> list[int]:
    """Rows of all flags within so many, the first ones lowest; empty where they do not fit."""

    def fits(row: int, i: int, rows: Sequence[int]) -> bool:
        for k, other in enumerate(rows):
            together = spans[i][0] < spans[k][1] and spans[k][0] < spans[i][1]
            over, under = spans[i][0] < at[k] < spans[i][1], spans[k][0] < at[i] < spans[k][1]
            if (other == row and together) or (over and other > row) or (under and row > other):
                return False
        return True

    def place(rows: list[int]) -> list[int]:
        if len(rows) == len(at):
            return rows
        for row in range(most):
            if fits(row, len(rows), rows) and (found := place([*rows, row])):
                return found
        return []

    return place([])
