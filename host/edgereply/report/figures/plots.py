"""Which figures a report shows, each with its words and its table."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

from edgereply.evaluation.run_view import RunView, letter
from edgereply.report import figures
from edgereply.report.figures import quantile_readings, readings

# More panels than this in one figure cannot be taken in.
MOST_PANELS: Final = 6
HEADINGS: Final = {
    "quantiles": "Runs beside each other",
    "rates": "Reaction time against rate",
    "distribution": "Reaction time, how often",
    "tail": "The slow end",
    "over-time": "Reaction time over the run",
    "persistence": "All responses laid over each other",
    "segments": "Segments",
    "fold": "Folded at the period of the late answers",
}
NAMES: Final = tuple(HEADINGS)
_Draw = Callable[[Sequence[RunView]], Any]
_WHOLE: Final[dict[str, tuple[_Draw, Callable[[Sequence[RunView]], readings.Reading]]]] = {
    "quantiles": (figures.quantiles, quantile_readings.quantiles),
    "rates": (figures.sweep_curves, quantile_readings.rates),
    "distribution": (figures.distribution, readings.distribution),
    "tail": (figures.tail, readings.tail),
    "over-time": (figures.over_time, readings.over_time),
    "persistence": (figures.persistence, readings.persistence),
    "segments": (figures.segments, quantile_readings.segments),
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
    """

    key: str
    heading: str
    reading: readings.Reading
    figure: dict[str, Any]
    runs: tuple[int, ...]


def plots(views: Sequence[RunView]) -> list[Plot]:
    """Every figure that these runs can fill, in the order of the page."""
    return [
        Plot(key, heading, reading, json.loads(figure.to_json()), runs)
        for key, heading, reading, figure, runs in _made(views)
        if figure is not None
    ]


def draw(name: str, views: Sequence[RunView]) -> Any:
    """One figure by its name.

    Args:
        name: of `NAMES`.
        views: all runs in it; the fold takes the first that has a period.

    Returns:
        The figure, or None where these runs cannot fill it.
    """
    if name == "fold":
        return next((figures.fold(view, index) for index, view in enumerate(views) if view.folds), None)
    return _WHOLE[name][0](views)


def _made(views: Sequence[RunView]) -> Iterator[tuple[str, str, readings.Reading, Any, tuple[int, ...]]]:
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


def _parts(name: str, views: Sequence[RunView]) -> Iterator[tuple[str, str, readings.Reading, Any, tuple[int, ...]]]:
    for first in range(0, len(views), MOST_PANELS):
        some = views[first : first + MOST_PANELS]
        heading = f"{HEADINGS[name]}, runs {letter(first)} to {letter(first + len(some) - 1)}"
        reading = getattr(readings, name.replace("-", "_"))(some, first)
        yield f"{name}-{first}", heading, reading, _PANELS[name](some, first), tuple(range(first, first + len(some)))
