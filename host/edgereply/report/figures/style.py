"""What all figures share: names, units, axes, flags; nothing here draws."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.ordered import ordered
from edgereply.evaluation.run_view import RunView, letter
from edgereply.report.figures.drawing import Axis, Flag
from edgereply.report.figures.theme import DASHES, MARKERS, RUN_NAMES
from edgereply.wording.evidence import all_measured_by
from edgereply.wording.numbers import clean, distinct, exactly, unit_for

# Log time from this ratio of longest to shortest on; below, it only bends the axis.
LOG_FROM_RATIO: Final = 20
LONGEST_NAME: Final = 60


def measured_words(views: Sequence[RunView]) -> str:
    """How the runs were measured, as it stands in every drawing."""
    return all_measured_by((clean(view.evidence), view.virtual) for view in views)


def color(index: int) -> str:
    """Colour of a run, a name in the palette."""
    return RUN_NAMES[index % len(RUN_NAMES)]


def dash(index: int) -> str:
    """Dash of a run; colour and dash together repeat only after as many runs as there are pairs of them."""
    return DASHES[(index + index // len(RUN_NAMES)) % len(DASHES)]


def marker(index: int) -> str:
    """Marker of a run; colour and marker together repeat as late as colour and dash."""
    return MARKERS[(index + index // len(RUN_NAMES)) % len(MARKERS)]


def label(view: RunView, index: int, longest: int = LONGEST_NAME) -> str:
    """Letter and name of a run."""
    return f"{letter(index)}  {clean(view.title, longest)}"


def title(views: Sequence[RunView], row: int, first: int) -> str:
    """Title of a panel with one run; "" where there is only one, whose name stands above the figure."""
    return label(views[row], first + row) if len(views) > 1 or first else ""


def unit_of(samples: Sequence[Int64s]) -> tuple[int, str]:
    """Nanoseconds a unit, and the unit, that suit the medians of some samples."""
    medians = [ordered(np.abs(sample) if sample.min() < 0 else sample).median() for sample in samples if sample.size]
    return unit_for(max(medians, default=1))


def reach(view: RunView) -> list[int]:
    """Fastest and slowest answer and the deadline, as far as they exist."""
    values = view.answers()
    ends = [int(values.min()), int(values.max())] if values.size else []
    return ends + ([view.deadline_ns] if view.deadline_ns is not None else [])


def time_axis(
    title: str, low_ns: float, high_ns: float, size: int, log: bool | None = None, room: float = 0.04
) -> Axis:
    """An axis of time that holds both ends with some room.

    Args:
        title: with its unit.
        low_ns: shortest time.
        high_ns: longest time.
        size: nanoseconds a unit.
        log: None for logarithmic where the span asks for it.
        room: left free on either side, of the axis's length.
    """
    if log is None:
        log = low_ns > 0 and high_ns >= LOG_FROM_RATIO * low_ns
    if log:
        low_ns = max(low_ns, 0.5)
        stretch = max(high_ns / low_ns, 1.5) ** room
        low, high = low_ns / stretch, max(high_ns, 1.5 * low_ns) * stretch
        return Axis(title=title, low=low / size, high=high / size, log=True, ticks=log_ticks(low, high, size))
    span = max(high_ns - low_ns, 0.02 * abs(high_ns), 1.0)
    return Axis(title=title, low=(low_ns - room * span) / size, high=(high_ns + room * span) / size)


def log_ticks(low: float, high: float, size: float = 1) -> tuple[tuple[float, str], ...]:
    """Ticks of a logarithmic axis at 1, 2 and 5, or at powers of ten where it is long.

    Args:
        low: of the axis, greater than 0.
        high: of the axis.
        size: divides positions and words.
    """
    steps = (1, 2, 5) if high < 2000 * low else (1,)
    powers = range(int(np.floor(np.log10(low))), int(np.ceil(np.log10(high))) + 1)
    found = [step * 10.0**power for power in powers for step in steps]
    return tuple((at / size, f"{at / size:,.10g}") for at in found if low <= at <= high)


def count_axis(title: str, most: int) -> Axis:
    """A logarithmic axis of counts, on whose floor empty bins lie."""
    top = max(2.0, most * 1.25)
    powers = range(int(np.log10(top)) + 1)
    return Axis(title=title, low=0.5, high=top, log=True, ticks=tuple((10.0**p, f"{10**p:,}") for p in powers))


def marks(view: RunView, size: int, words: bool) -> list[Flag]:
    """Flags at the best, median, p99 and worst answer and at the deadline.

    Args:
        view: the run.
        size: nanoseconds a unit.
        words: with their times; otherwise lines alone, but for the deadline.
    """
    reaction = view.summary.get("reaction") or {}
    keys = (
        ("best", "min_ns", "dot"),
        ("median", "median_ns", "solid"),
        ("p99", "p99_ns", "dash"),
        ("worst", "max_ns", "dot"),
    )
    known = [(word, int(reaction[key]), dash) for word, key, dash in keys if reaction.get(key) is not None]
    told = distinct(*(at for _, at, _ in known)) if known else []
    flags = [
        Flag(at=at / size, text=f"{word} {text}" if words else "", dash=dash)
        for (word, at, dash), text in zip(known, told, strict=True)
    ]
    if view.deadline_ns is not None:
        flags.append(deadline(view.deadline_ns, size, words))
    return flags


def deadline(deadline_ns: int, size: float, words: bool = True) -> Flag:
    """A flag at a deadline."""
    text = f"deadline {exactly(deadline_ns)}" if words else ""
    return Flag(at=deadline_ns / size, text=text, color="deadline", dash="dash")


def unlike_deadlines(views: Sequence[RunView]) -> list[int]:
    """Every deadline once, in the order of the runs."""
    return list(dict.fromkeys(view.deadline_ns for view in views if view.deadline_ns is not None))


def left_out(views: Sequence[RunView], first: int = 0) -> list[str]:
    """What no figure of times can hold, a sentence for all runs: stimuli without an answer of their own."""
    parts = []
    for index, view in enumerate(views, first):
        lost = view.stimuli - int(view.answers().size)
        if lost:
            who = f"{letter(index)}: " if len(views) > 1 or first else ""
            parts.append(f"{who}{lost:,} of {view.stimuli:,}")
    if len(parts) > 6:
        lost = sum(view.stimuli - int(view.answers().size) for view in views)
        parts = [f"{lost:,} of {sum(view.stimuli for view in views):,} in all"]
    return [f"Not drawn, no answer of their own: {'; '.join(parts)} stimuli."] if parts else []
