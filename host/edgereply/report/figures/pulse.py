"""All responses of a run laid over each other below the stimulus, as an instrument's screen would accumulate them.

Time runs in equal steps as far as responses usually are, then in equal ratios out to the last response and the
deadline: one late answer neither leaves the picture nor squeezes the rest into a line. The change is marked. Where slow
answers are many, it comes no later than ten times the typical end of a response: what is typical keeps a tenth of it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from edgereply.analysis.arrays.aliases import Floats, Int64s
from edgereply.analysis.arrays.histogram import log_edges, nice_width
from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.evaluation.run_view import RunView, letter
from edgereply.report.figures import overlay, style
from edgereply.report.figures.drawing import Axis, Curve, Drawing, Flag, Heat, Item, Panel
from edgereply.wording.numbers import unit_for

_FINE, _COARSE = 260, 60
# Of the width, where the steps become ratios.
_BEND: Final = 0.72
_BEFORE: Final = 0.08
# The steps become ratios at so many times the typical end at the latest.
_TYPICAL: Final = 10
_LOW, _HIGH = 0.0, 1.0
_THICK: Final = 0.055
_STIMULUS: Final = (1.45, 2.0)


@dataclass(frozen=True, slots=True)
class ScopeTime:
    """Where a time after the stimulus lies on the picture, 0 at the stimulus and 1 at the end.

    Attributes:
        usual_ns: up to here equal steps.
        last_ns: end; not greater than `usual_ns` where nothing comes later.
    """

    usual_ns: int
    last_ns: int

    @property
    def bends(self) -> bool:
        """Whether there is anything beyond the usual part."""
        return self.last_ns > 1.05 * self.usual_ns

    def place(self, at_ns: Floats | Int64s) -> Floats:
        """Places of times, shape (n,)."""
        at = np.asarray(at_ns, np.float64)
        if not self.bends:
            return np.asarray(at / max(self.usual_ns, self.last_ns), np.float64)
        late = np.log(np.maximum(at, self.usual_ns) / self.usual_ns) / math.log(self.last_ns / self.usual_ns)
        return np.where(at <= self.usual_ns, _BEND * at / self.usual_ns, _BEND + (1 - _BEND) * late)

    def ticks(self, size: int) -> tuple[tuple[float, str], ...]:
        """Ticks in the unit of `size` nanoseconds."""
        width = nice_width(self.usual_ns if self.bends else max(self.usual_ns, self.last_ns), 7)
        end = self.usual_ns if self.bends else max(self.usual_ns, self.last_ns)
        steady = [float(width * step) for step in range(end // width + 1)]
        ratios = [at * size for at, _ in style.log_ticks(self.usual_ns, self.last_ns, size)] if self.bends else []
        later = [at for at in ratios if at > 1.12 * self.usual_ns]
        if self.bends and not later:
            fine = [step * at for at in (10**power for power in range(19)) for step in range(1, 10)]
            later = [float(at) for at in fine if 1.12 * self.usual_ns < at <= self.last_ns][-1:]
        if len(later) > 4:
            later = [at for at in later if f"{at:e}".startswith("1")] or later[-1:]
        every = [*steady, *later]
        return tuple(
            (float(place), f"{at / size:,.10g}") for at, place in zip(every, self.place(np.asarray(every)), strict=True)
        )


def persistence(views: Sequence[RunView], first: int = 0) -> Drawing:
    """The stimulus above; below it all responses laid over each other, brightness by count.

    Args:
        views: the runs, one panel each on one time axis.
        first: number of the first of them on the page.

    Returns:
        The figure: every response that has a rise and a fall is in view, and every deadline.
    """
    pairs = [(view.reaction_ns, view.pulse_width_ns) for view in views]
    typical = max(overlay.end_of(*pair, 50) for pair in pairs)
    usual = min(max(overlay.end_of(*pair, 99) for pair in pairs) * 6 // 5, _TYPICAL * max(typical, 1)) + 1
    ends = [int(np.max(r + w, where=(r != NO_STAMP) & (w != NO_STAMP), initial=0)) for r, w in pairs]
    time = ScopeTime(usual, round(1.1 * max([*ends, *style.unlike_deadlines(views)])) + 1)
    before = -max(int(_BEFORE * usual) + 1, -min(_earliest(pair) for pair in pairs))
    edges = _edges(time, before)
    size, unit = unit_for(usual)
    x = Axis(
        title=f"time after the stimulus ({unit})",
        low=float(time.place(edges[:1])[0]),
        high=max(1.0, float(time.place(edges[-1:])[0])),
        ticks=time.ticks(size),
    )
    y = Axis(
        low=-0.3,
        high=_STIMULUS[1] + 0.35,
        lines=False,
        fixed=True,
        ticks=((0.5, "response"), (sum(_STIMULUS) / 2, "stimulus")),
    )
    panels = []
    for row, view in enumerate(views):
        items: list[Item] = [_responses(view, first + row, edges, time), _stimulus(x)]
        flags = [Flag(at=_BEND, text="compressed from here", color="quiet", dash="dot")] if time.bends else []
        if row and flags:
            flags = [replace(flags[0], text="")]
        if view.deadline_ns is not None:
            at = float(time.place(np.array([view.deadline_ns]))[0])
            told = row == 0 or view.deadline_ns != views[row - 1].deadline_ns
            flags.append(replace(style.deadline(view.deadline_ns, 1, told), at=at))
        panels.append(
            Panel(
                x=x,
                y=y,
                items=tuple(items),
                flags=tuple(flags),
                title=style.title(views, row, first),
                height=270 if len(views) == 1 else 150,
            )
        )
    return Drawing(panels=tuple(panels), measured_by=style.measured_words(views), notes=tuple(_notes(views, first)))


def _earliest(pair: tuple[Int64s, Int64s]) -> int:
    """Earliest rise; stamps that went wrong may lie before the stimulus."""
    return int(np.min(pair[0], where=pair[0] != NO_STAMP, initial=0))


def _edges(time: ScopeTime, before_ns: int) -> Int64s:
    end = time.usual_ns if time.bends else max(time.usual_ns, time.last_ns)
    width = nice_width(end, _FINE)
    fine = width * np.arange(before_ns // width, -(-end // width) + 1, dtype=np.int64)
    if not time.bends or int(fine[-1]) >= time.last_ns:
        return fine
    return np.unique(np.concatenate([fine, log_edges(int(fine[-1]), time.last_ns, _COARSE)]))


def _responses(view: RunView, index: int, edges: Int64s, time: ScopeTime) -> Heat:
    seen = overlay.persistence(view.reaction_ns, view.pulse_width_ns, edges, view.stimuli)
    # A thin line low, a thin line high, and the edges between them as upright lines.
    counts = np.stack([seen.stimuli - seen.high, seen.rises + seen.falls, seen.high])
    levels = np.array([_LOW - _THICK, _LOW + _THICK, _HIGH - _THICK, _HIGH + _THICK])
    return Heat(
        x_edges=time.place(edges), y_edges=levels, counts=counts, what=f"of {seen.stimuli:,} stimuli", run=index
    )


def _stimulus(x: Axis) -> Curve:
    low, high = _STIMULUS
    return Curve(x=[x.low, 0.0, 0.0, x.high], y=[low, low, high, high], color="envelope", width=2.5)


def _notes(views: Sequence[RunView], first: int) -> list[str]:
    notes, silent = [], []
    for index, view in enumerate(views, first):
        who = f"{letter(index)}: " if len(views) > 1 or first else ""
        lost = int(np.count_nonzero(view.answered() & (view.pulse_width_ns == NO_STAMP)))
        if lost:
            notes.append(f"{who}{lost:,} responses have no fall and are not drawn.")
        if unanswered := view.stimuli - int(view.answers().size):
            silent.append(f"{who}{unanswered:,} of {view.stimuli:,}")
    if silent:
        notes.append(f"Without an answer of their own, drawn as low: {'; '.join(silent)} stimuli.")
    return notes
