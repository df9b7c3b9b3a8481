"""The lines of the summary table, the same in the terminal and on the page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from edgereply.analysis.statistics.further import FURTHER
from edgereply.evaluation.run_view import RunView, flatten
from edgereply.wording.numbers import ROUGH, duration, exactly, interval, is_rough, quantile, range_words, share
from edgereply.wording.segments import segment_words

QUANTILES: Final = (("median", "median_ns"), ("p90", "p90_ns"), ("p99", "p99_ns"), ("p99.9", "p99_9_ns"))
_REACTION: Final = (
    ("fastest", "min_ns"),
    ("median", "median_ns"),
    ("p90", "p90_ns"),
    ("p99", "p99_ns"),
    ("p99.9", "p99_9_ns"),
    ("slowest", "max_ns"),
)
_WIDTH: Final = (("shortest", "min_ns"), ("median", "median_ns"), ("longest", "max_ns"))
_JITTER: Final = (
    ("peak-to-peak", "peak_to_peak_ns"),
    ("standard deviation", "std_ns"),
    ("tail spread (p99.9 − median)", "tail_spread_ns"),
    *((row.label, name) for name, row in FURTHER.items()),
)
_SEGMENT: Final = (("median", "median_ns"), ("p99", "p99_ns"), ("slowest", "max_ns"))
_COUNTS: Final = ("stimuli", "responses", "missed", "spurious", "coalesced", "ambiguous", "unobserved", "late")
_COUNT_WORDS: Final = {"ambiguous": "not matched", "unobserved": "not watched to the end"}


@dataclass(frozen=True, slots=True)
class Cell:
    """A figure and its 95 % interval, "" where it has none."""

    value: str
    interval: str = ""


@dataclass(frozen=True, slots=True)
class TableLine:
    """One line: its name, its figures, and its grade of evidence, which says virtual where it is."""

    name: str
    cells: Sequence[Cell]
    grade: str
    bad: bool = False


@dataclass(frozen=True, slots=True)
class Estimate:
    """A quantile of the reaction time and its 95 % interval, nanoseconds.

    Attributes:
        low_ns, high_ns: the value itself where there is no interval.
        rough: the interval is unsure, or there is none.
    """

    value_ns: int
    low_ns: int
    high_ns: int
    rough: bool = False

    @property
    def words(self) -> str:
        """Such as "72.4 µs (71.0 µs to 73.9 µs)" or "72.4 µs (rough: too few slow answers, or in groups)"."""
        return f"{duration(self.value_ns)} ({ROUGH if self.rough else range_words(self.low_ns, self.high_ns)})"


@dataclass(frozen=True, slots=True)
class Row:
    """One line: a label and one cell a run."""

    label: str
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True)
class Group:
    """Lines under one heading."""

    label: str
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting: as requested, as it took effect, and whether these differ."""

    name: str
    requested: str
    in_effect: str
    differs: bool


def summary_groups(views: Sequence[RunView]) -> list[Group]:
    """The summary table.

    Args:
        views: the runs, one column each.

    Returns:
        Groups of lines; segments only where a run has them.
    """
    groups = [
        _sample("Reaction time", _REACTION, [view.summary.get("reaction") for view in views]),
        _sample("Jitter of the reaction time", _JITTER, [view.summary.get("reaction") for view in views]),
        _sample("Pulse width", _WIDTH, [view.summary.get("pulse_width") for view in views]),
    ]
    for name in segment_names(views):
        parts = [(view.summary.get("segments") or {}).get(name) for view in views]
        groups.append(_sample(segment_label(name), _SEGMENT, parts))
    names = [name for name in _COUNTS if name not in ("ambiguous", "unobserved") or _counted(views, name)]
    counts = [Row(_COUNT_WORDS.get(name, name), tuple(Cell(_count(view, name)) for view in views)) for name in names]
    if any(view.deadline_ns is not None for view in views):
        counts.append(
            Row("deadline", tuple(Cell("none" if v.deadline_ns is None else exactly(v.deadline_ns)) for v in views))
        )
    groups.append(Group("Counts", tuple(counts)))
    return groups


def estimate(view: RunView, name: str) -> Estimate | None:
    """A quantile of the reaction time with its interval; None where the run cannot carry the quantile.

    Args:
        view: the run.
        name: of the quantile, such as "p99_ns".
    """
    reaction = view.summary.get("reaction") or {}
    value, ends = reaction.get(name), (reaction.get("ci95") or {}).get(name)
    if value is None:
        return None
    low_ns, high_ns = ends or (value, value)
    return Estimate(value, low_ns, high_ns, is_rough(reaction, name) or not ends)


def segment_names(views: Sequence[RunView]) -> list[str]:
    """Names of the segments that any run has, in the order they were given."""
    return list(
        dict.fromkeys(name for view in views for name in (*view.segments, *(view.summary.get("segments") or {})))
    )


def segment_label(name: str) -> str:
    """A segment's name in words: "wake_delay" is "Wake-up (wake delay)"."""
    words = segment_words(name)
    return words[:1].upper() + words[1:]


def condition_rows(view: RunView) -> list[Setting]:
    """Requested and effective settings beside each other.

    Args:
        view: the run.

    Returns:
        One line a setting; a setting known to one side only reads "not stated" on the other.
    """
    asked, had = flatten(view.condition_requested), flatten(view.condition_in_effect)
    missing = "not stated"
    return [
        Setting(
            name,
            asked.get(name, missing),
            had.get(name, missing),
            name in asked and name in had and asked[name] != had[name],
        )
        for name in dict.fromkeys((*asked, *had))
    ]


def _sample(label: str, lines: Sequence[tuple[str, str]], parts: Sequence[Mapping[str, Any] | None]) -> Group:
    rows = (Row(name, tuple(Cell(quantile(part, key), interval(part, key)) for part in parts)) for name, key in lines)
    return Group(label, tuple(rows))


def _counted(views: Sequence[RunView], name: str) -> bool:
    """Whether a count is shown: that of unobserved stimuli only where there are any, as of a run that was cut off."""
    return any(view.counts[name] or name != "unobserved" for view in views if name in view.counts)


def _count(view: RunView, name: str) -> str:
    if name == "late":
        if view.deadline_ns is None:
            return "no deadline"
        number = int(view.late().sum())
    elif name in view.counts:
        number = view.counts[name]
    else:
        return "not counted"
    if name in ("missed", "coalesced", "ambiguous", "unobserved", "late") and number:
        return f"{number:,} ({share(number, view.stimuli)})"
    return f"{number:,}"
