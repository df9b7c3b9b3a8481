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
from edgereply.report.figures.gaps import read_gaps
from edgereply.report.figures.hold_ups import hold_up_reading
from edgereply.report.figures.page_drawing import page_drawing


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureRow:
    """One figure there is; the page, `--figure` and the tests on hostile names find it by its row.

    Attributes:
        heading: in words.
        draw: from runs to a drawing, or None where they cannot fill it; in panels, with the first run's number.
        read: what it shows in words and a table, from the same; None for what the page shows by other means.
        in_panels: a panel a run, so that many runs take several figures.
        least_runs: fewer have nothing to show.
    """

    heading: str
    draw: Callable[..., Drawing | None]
    read: Callable[..., readings.Reading] | None = None
    in_panels: bool = False
    least_runs: int = 1


def _fold(views: Sequence[RunView]) -> Drawing | None:
    """The first run that has a period."""
    return next((figures.fold(view, index) for index, view in enumerate(views) if view.folds), None)


# In the order of the page.
FIGURES: Final[dict[str, FigureRow]] = {
    "boards": FigureRow(heading="Best, typical, worst", draw=figures.boards),
    "distribution": FigureRow(heading="Histogram", draw=figures.distribution, read=readings.distribution),
    "persistence": FigureRow(
        heading="Persistence", draw=figures.persistence, read=readings.persistence, in_panels=True
    ),
    "over-time": FigureRow(heading="Over time", draw=figures.over_time, read=readings.over_time, in_panels=True),
    "segments": FigureRow(heading="Where the time goes", draw=figures.segments, read=quantile_readings.segments),
    "hold-ups": FigureRow(heading="Who held up slow answers", draw=figures.hold_ups, read=hold_up_reading),
    "tail": FigureRow(heading="Slowest answers", draw=figures.tail, read=readings.tail),
    "quantiles": FigureRow(
        heading="Percentiles", draw=figures.quantiles, read=quantile_readings.quantiles, least_runs=2
    ),
    "rates": FigureRow(heading="Against rate", draw=figures.sweep_curves, read=quantile_readings.rates),
    "gaps": FigureRow(heading="How close two edges may be", draw=figures.gaps, read=read_gaps),
    "fold": FigureRow(heading="Late answers by period", draw=_fold),
}
NAMES: Final = tuple(FIGURES)


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
    row = FIGURES[name]
    if row.in_panels and len(views) > MOST_PANELS:
        some = row.draw(views[:MOST_PANELS], 0)
        rest = f"{letter(0)} to {letter(MOST_PANELS - 1)} of {len(views)} runs; give the others by themselves."
        return None if some is None else replace(some, notes=(*some.notes, rest))
    return row.draw(views)


def _made(views: Sequence[RunView]) -> Iterator[tuple[str, str, readings.Reading, Drawing | None, tuple[int, ...]]]:
    every = tuple(range(len(views)))
    for name, row in FIGURES.items():
        if row.read is None or len(views) < row.least_runs:
            continue
        if row.in_panels and len(views) > MOST_PANELS:
            yield from _parts(name, views)
        else:
            yield name, row.heading, row.read(views), row.draw(views), every
    for index, view in enumerate(views):
        if view.folds:
            key, of_run = ("fold", "") if len(views) == 1 else (f"fold-{index}", f", run {letter(index)}")
            yield key, FIGURES["fold"].heading + of_run, readings.fold(view, index), figures.fold(view, index), (index,)


def _parts(
    name: str, views: Sequence[RunView]
) -> Iterator[tuple[str, str, readings.Reading, Drawing | None, tuple[int, ...]]]:
    row = FIGURES[name]
    assert row.read is not None
    for first in range(0, len(views), MOST_PANELS):
        some = views[first : first + MOST_PANELS]
        heading = f"{row.heading}, runs {letter(first)} to {letter(first + len(some) - 1)}"
        drawing, runs = row.draw(some, first), tuple(range(first, first + len(some)))
        yield f"{name}-{first}", heading, row.read(some, first), drawing, runs
