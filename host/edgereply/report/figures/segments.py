"""Where the time goes: the parts of the reaction time stacked, for typical answers and for the slowest.

Medians of parts do not add up to the median of the whole. Means do: each bar is the mean, part by part, over the same
answers, those in the middle fifth by reaction time or the slowest hundredth, so its length is their mean reaction
time. The two have axes of their own; one slow answer cannot flatten the typical ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.evaluation.run_view import RunView, letter
from edgereply.report.figures import style
from edgereply.report.figures.drawing import Axis, Boxes, Drawing, Panel
from edgereply.wording.numbers import clean, duration, unit_for
from edgereply.wording.segments import PARTS

# What a later version adds is stacked behind the known PARTS.
_AFTERWARDS: Final = "hold"
_COLORS: Final = ("part1", "part2", "part3", "part4")
_MIDDLE: Final = (0.4, 0.6)
_SLOWEST: Final = 0.99
_GROUPS: Final = (("typical", "Typical answers (middle fifth)"), ("slowest", "Slowest 1 % of the answers"))


@dataclass(frozen=True, slots=True)
class Stack:
    """Parts of one group of answers of one run.

    Attributes:
        group: "typical" or "slowest".
        run: number of the run.
        answers: how many were averaged.
        mean_ns: mean of each part by name, in order; may be negative by the clocks' uncertainty.
    """

    group: str
    run: int
    answers: int
    mean_ns: dict[str, float]


def part_label(name: str) -> str:
    """A part in plain words."""
    return PARTS.get(name, name.replace("_", " "))


def stacks(views: Sequence[RunView]) -> tuple[list[Stack], list[tuple[int, int, int]]]:
    """Means of the parts.

    Args:
        views: the runs.

    Returns:
        A stack for each group and run that has parts; and run, answers with all parts, answers in all, for runs in
        which some have not.
    """
    found: list[Stack] = []
    partly: list[tuple[int, int, int]] = []
    for run, view in enumerate(views):
        names = [name for name in (*PARTS, *view.segments) if name in view.segments and name != _AFTERWARDS]
        names = list(dict.fromkeys(names))
        if not names:
            continue
        whole = view.answered() & np.all([view.segments[name] != NO_STAMP for name in names], axis=0)
        count = int(whole.sum())
        if not count:
            continue
        if count < view.answers().size:
            partly.append((run, count, int(view.answers().size)))
        rows = np.flatnonzero(whole)
        rows = rows[np.argsort(view.reaction_ns[rows], kind="stable")]
        middle = slice(int(_MIDDLE[0] * count), max(int(_MIDDLE[0] * count) + 1, int(_MIDDLE[1] * count)))
        slow = slice(min(count - 1, int(_SLOWEST * count)), count)
        for group, part in (("typical", middle), ("slowest", slow)):
            chosen = rows[part]
            means = {name: float(view.segments[name][chosen].mean()) for name in names}
            found.append(Stack(group, run, int(chosen.size), means))
    return found, partly


def segments(views: Sequence[RunView]) -> Drawing | None:
    """The parts of the reaction time, stacked, a bar a run.

    Args:
        views: the runs.

    Returns:
        The figure, or None where no run has segments.
    """
    found, partly = stacks(views)
    if not found:
        return None
    names = list(dict.fromkeys(name for stack in found for name in stack.mean_ns))
    shown = sorted({stack.run for stack in found})
    panels = []
    for group, title in _GROUPS:
        bars = [stack for stack in found if stack.group == group]
        longest = max(sum(max(0.0, value) for value in stack.mean_ns.values()) for stack in bars)
        size, unit = unit_for(longest)
        rows = {run: len(shown) - 1 - place for place, run in enumerate(shown)}
        ticks = tuple(
            (rows[run] + 0.5, style.label(views[run], run, 24) if len(views) > 1 else clean(views[run].title, 24))
            for run in reversed(shown)
        )
        x = Axis(title=f"mean time ({unit})", low=0, high=max(longest, 1.0) * 1.04 / size, fixed=True)
        y = Axis(low=0, high=len(shown), ticks=ticks, fixed=True, lines=False)
        items = tuple(
            _boxes(bars, number, name, rows, size, named=group == "typical") for number, name in enumerate(names)
        )
        panels.append(Panel(x=x, y=y, items=items, title=title, height=34 + 40 * len(shown), rows=len(shown)))
    return Drawing(
        panels=tuple(panels),
        measured_by=style.measured_words(views),
        notes=tuple(_notes(found, partly, views)),
        key=True,
        own_x=True,
    )


def _boxes(bars: Sequence[Stack], number: int, name: str, rows: dict[int, int], size: int, named: bool) -> Boxes:
    x, y, words, hover = [], [], [], []
    for stack in bars:
        if name not in stack.mean_ns:
            continue
        lengths = [max(0.0, value) for value in stack.mean_ns.values()]
        place = list(stack.mean_ns).index(name)
        start = sum(lengths[:place])
        x.append((start / size, (start + lengths[place]) / size))
        y.append((rows[stack.run] + 0.14, rows[stack.run] + 0.86))
        told = duration(round(stack.mean_ns[name]))
        words.append(told)
        hover.append(f"{letter(stack.run)} {part_label(name)}: {told}, mean of {stack.answers:,} answers")
    return Boxes(
        x=x, y=y, color=_COLORS[number % len(_COLORS)], name=part_label(name) if named else "", words=words, hover=hover
    )


def _notes(found: Sequence[Stack], partly: Sequence[tuple[int, int, int]], views: Sequence[RunView]) -> list[str]:
    notes = []
    below = {part_label(name): value for stack in found for name, value in stack.mean_ns.items() if value < 0}
    for name, value in below.items():
        notes.append(f"Below zero, so not drawn: {name} {duration(round(value))} (the clocks' uncertainty).")
    if partly:
        said = "; ".join(
            f"{letter(run) + ': ' if len(views) > 1 else ''}{count:,} of {every:,}" for run, count, every in partly
        )
        notes.append(f"Answers whose parts are all known: {said}.")
    return notes
