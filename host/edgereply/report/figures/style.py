"""How figures look: plain dictionaries for the drawing library, which is not needed here."""

from __future__ import annotations

import html
from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.ordered import ordered
from edgereply.evaluation.run_view import RunView, letter
from edgereply.report.figures.theme import DASHES, LIGHT, MARKERS, RUN_NAMES
from edgereply.wording.numbers import clean, unit_for

DENSITY: Final = [[i / 3, LIGHT[f"density{i}"]] for i in range(4)]
AXIS: Final = {
    "separatethousands": True,
    "exponentformat": "none",  # 5,000 µs, not 5k µs
    "gridcolor": LIGHT["grid"],
    "linecolor": LIGHT["rule"],
    "tickcolor": LIGHT["rule"],
    "zeroline": False,
    "ticks": "outside",
    "showline": True,
    "automargin": True,
}


def layout(views: Sequence[RunView], controls: list[str], height: int) -> dict[str, Any]:
    """Layout common to all figures; the grade of evidence stands in the drawing itself."""
    grades = " / ".join(dict.fromkeys(escaped(view.grade) for view in views))
    return {
        "meta": {"controls": controls},
        "height": height,
        "autosize": True,
        "margin": {"l": 72, "r": 20, "t": 56, "b": 72},
        "paper_bgcolor": LIGHT["panel"],
        "plot_bgcolor": LIGHT["panel"],
        "font": {"color": LIGHT["ink"], "size": 13, "family": "system-ui, sans-serif"},
        "hoverlabel": {"bgcolor": LIGHT["page"], "font": {"color": LIGHT["ink"]}, "bordercolor": LIGHT["rule"]},
        "title": {
            "text": f"evidence: {grades}",
            "font": {"size": 13, "color": LIGHT["quiet"]},
            "x": 0,
            "xref": "paper",
        },
        # One run needs no key; a click on it would bypass the page's own controls.
        "showlegend": len(views) > 1,
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


def line(views: Sequence[RunView], index: int, shape: str = "linear", width: float = 2) -> dict[str, Any]:
    """Keywords of a line trace of one run: its colour and its dash."""
    return {
        "mode": "lines",
        "name": label(views[index], index),
        "line": {"color": color(index), "dash": dash(index), "shape": shape, "width": width},
        "meta": {"run": index},
    }


def color(index: int) -> str:
    """Colour of a run."""
    return LIGHT[RUN_NAMES[index % len(RUN_NAMES)]]


def dash(index: int) -> str:
    """Dash of a run; colour and dash together repeat only after as many runs as there are pairs of them."""
    return DASHES[(index + index // len(RUN_NAMES)) % len(DASHES)]


def marker(index: int) -> str:
    """Marker of a run; colour and marker together repeat as late as colour and dash."""
    return MARKERS[(index + index // len(RUN_NAMES)) % len(MARKERS)]


def label(view: RunView, index: int) -> str:
    """Name of a run with its grade, safe as a label."""
    # The grade comes first: a narrow page cuts the end off.
    return f"{letter(index)} ({escaped(view.grade)}): {escaped(clean(view.title, 40))}"


def escaped(text: str) -> str:
    """Text the drawing library shows as it is."""
    # The library reads a few tags and %{...} in labels; entities come out as the characters themselves.
    return html.escape(clean(text)).replace("%{", "%&#123;")


def unit_of(samples: Sequence[Int64s]) -> tuple[int, str]:
    """Nanoseconds a unit, and the unit, that suit the medians of some samples."""
    medians = [ordered(np.abs(sample) if sample.min() < 0 else sample).median() for sample in samples if sample.size]
    return unit_for(max(medians, default=1))


def reach(view: RunView) -> list[int]:
    """Fastest and slowest answer and the deadline, as far as they exist."""
    values = view.answers()
    ends = [int(values.min()), int(values.max())] if values.size else []
    return ends + ([view.deadline_ns] if view.deadline_ns is not None else [])


def logarithmic(low_ns: int, high_ns: int, size: int) -> dict[str, Any]:
    """Keywords of a logarithmic time axis with whole numbers at 1, 2 and 5."""
    # The library's own labels on such an axis are single digits between the powers of ten.
    steps = (1, 2, 5) if high_ns < 2000 * low_ns else (1,)
    ticks = [step * 10**power for power in range(14) for step in steps]
    return {
        "type": "log",
        "tickvals": [tick / size for tick in ticks],
        "ticktext": [f"{tick / size:,.10g}" for tick in ticks],
        "minor": {"ticks": "outside", "ticklen": 3, "tickcolor": LIGHT["rule"], "dtick": "D1"},
    }
