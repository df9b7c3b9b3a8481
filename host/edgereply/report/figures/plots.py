"""Which figures a report shows, each with its words and its table."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from edgereply.evaluation.run_view import RunView, letter
from edgereply.report import figures
from edgereply.report.figures import quantile_readings, readings
from edgereply.report.figures.distribution import MOST_PANELS
from edgereply.report.figures.drawing import Drawing
from edgereply.report.figures.page_drawing import page_drawing

HEADINGS: Final = {
    "boards": "Best, typical, worst",
    "distribution": "Histogram",
    "persistence": "Persistence",
    "over-time": "Over time",
    "segments": "Where the time goes",
    "tail": "Slowest answers",
    "quantiles": "Percentiles",
    "rates": "Against rate",
    "fold": "Late answers by period",
}
NAMES: Final = tuple(HEADINGS)
_Draw = Callable[[Sequence[RunView]], Drawing | None]
_WHOLE: Final[dict[str, tuple[_Draw, Callable[[Sequence[RunView]], readings.Reading]]]] = {
    "distribution": (figures.distribution, readings.distribution),
    "persistence": (figures.persistence, readings.persistence),
    "over-time": (figures.over_time, readings.over_time),
    "segments": (figures.segments, quantile_readings.segments),
    "tail": (figures.tail, readings.tail),
    "quantiles": (figures.quantiles, quantile_readings.quantiles),
    "rates": (figures.sweep_curves, quantile_readings.rates),
}
_PANELS: Final = {"over-time": figures.over_time, "persistence": figures.persistence}


@dataclass(frozen=True, slots=True)
class Plot:
    """One figure of the page.

    Attributes:
        key: its name on the page.
        heading: in words.
        reading: what it shows.
        figure: for the drawing library, JSON-ready.
        runs: numbers of the runs in it.
        notes: what it leaves out.
    """

    key: str
    heading: str
    reading: readings.Reading
    figure: dict[str, Any]
    runs: tuple[int, ...]
    notes: tuple[str, ...] = ()


def plots(views: Sequence[RunView]) -> list[Plot]:
    """Every figure that these runs can fill, in the order of the page."""
    return [
        Plot(key, heading, reading, page_drawing(figure), runs, figure.notes)
        for key, heading, reading, figure, runs in _made(views)
        if figure is not None
    ]


def draw(name: str, views: Sequence[RunView]) -> Drawing | None:
    """One figure by its name.

    Args:
        name: of `NAMES`.
        views: all runs in it; the fold takes the first that has a period.

    Returns:
        The figure, or None where these runs cannot fill it.
    """
    if name == "fold":
        return next((figures.fold(view, index) for index, view in enumerate(views) if view.folds), None)
    if name == "boards":
        return figures.boards(views)
    if name in _PANELS and len(views) > MOST_PANELS:
        some = _PANELS[name](views[:MOST_PANELS], 0)
        rest = f"{letter(0)} to {letter(MOST_PANELS - 1)} of {len(views)} runs; give the others by themselves."
        return replace(some, notes=(*some.notes, rest))
    return _WHOLE[name][0](views)


def _made(views: Sequence[RunView]) -> Iterator[tuple[str, str, readings.Reading, Drawing | None, tuple[int, ...]]]:
    every = tuple(range(len(views)))
    for name, (drawing, reading) in _WHOLE.items():
        if name == "quantiles" and len(views) == 1:
            continue
        if name in _PANELS and len(views) > MOST_PANELS:
            yield from _parts(name, views)
        else:
            yield name, HEADINGS[name], reading(views), drawing(views), every
    for index, view in enumerate(views):
        if view.folds:
            key, of_run = ("fold", "") if len(views) == 1 else (f"fold-{index}", f", run {letter(index)}")
            yield key, HEADINGS["fold"] + of_run, readings.fold(view, index), figures.fold(view, index), (index,)


def _parts(
    name: str, views: Sequence[RunView]
) -> Iterator[tuple[str, str, readings.Reading, Drawing | None, tuple[int, ...]]]:
    for first in range(0, len(views), MOST_PANELS):
        some = views[first : first + MOST_PANELS]
        heading = f"{HEADINGS[name]}, runs {letter(first)} to {letter(first + len(some) - 1)}"
        reading = getattr(readings, name.replace("-", "_"))(some, first)
        yield f"{name}-{first}", heading, reading, _PANELS[name](some, first), tuple(range(first, first + len(some)))
