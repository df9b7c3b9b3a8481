"""The table for a slide: a row a board or condition, with a mark and a footnote where it is not like for like."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from edgereply.comparison.compare import Comparison
from edgereply.evaluation.gaps import DEAD_TIME, DEAD_TIME_NOTE
from edgereply.evaluation.run_view import RunView, letter
from edgereply.report.tables.context_rows import NO_SENSOR, NOT_READ, context_columns
from edgereply.report.tables.lines import unlike_first
from edgereply.wording.evidence import measured_by
from edgereply.wording.numbers import NOTHING, clean, exactly, listing, quantile, share

_TIMES: Final = (
    ("typical", "reaction", "median_ns"),
    ("best", "reaction", "min_ns"),
    ("worst", "reaction", "max_ns"),
    ("pulse width", "pulse_width", "median_ns"),
    ("jitter", "reaction", "std_ns"),
)
VERDICTS: Final = {"pass": "kept", "fail": "not kept", "not enough data": "not enough answers"}


@dataclass(frozen=True, slots=True)
class BoardRow:
    """One row.

    Attributes:
        name: of the board or condition, with its letter where there are several.
        mark: number of its footnote, 0 for none.
        cells: one for each heading after the first.
    """

    name: str
    mark: int
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class BoardTable:
    """The table.

    Attributes:
        headings: the first is of the names.
        rows: in the order of the runs.
        footnotes: in the order of their numbers.
        notes: what holds for all rows.
        records: the same with integer nanoseconds, one a row.
    """

    headings: tuple[str, ...]
    rows: tuple[BoardRow, ...]
    footnotes: tuple[str, ...]
    notes: tuple[str, ...]
    records: tuple[dict[str, Any], ...]


def board_table(views: Sequence[RunView], comparison: Comparison | None) -> BoardTable:
    """Typical, best, worst, pulse width, jitter, missed, late, power, temperature and verdict of each run.

    Args:
        views: the runs.
        comparison: the same runs compared; None where nobody compared them, then nothing is marked.

    Returns:
        The table; columns that nobody has are left out and named in a note.
    """
    contexts = [view.summary.get("context") or {} for view in views]
    heads, context_cells, absent = context_columns(contexts)
    marks, footnotes, compared = _unlike(views, comparison)
    paired = any(view.gaps for view in views)
    unclear = any(view.counts.get("ambiguous") for view in views)
    rows, records = [], []
    for index, view in enumerate(views):
        summary = view.summary
        times = [quantile(summary.get(sample), key) for _, sample, key in _TIMES]
        counts = [_missed(view), *([f"{view.counts.get('ambiguous', 0):,}"] if unclear else []), _late(view)]
        dead = [NOTHING if view.gaps is None else view.gaps.cell] if paired else []
        cells = [*times, *counts, *dead, *(cell.value for cell in context_cells[index]), verdict(view)]
        name = f"{letter(index)}: {clean(view.title)}" if len(views) > 1 else clean(view.title)
        rows.append(BoardRow(name, marks[index], tuple(cells)))
        records.append(_record(index, view, footnotes[marks[index] - 1] if marks[index] else ""))
    headings = (
        "board or condition",
        *(name for name, _, _ in _TIMES),
        "missed",
        *(["not matched"] if unclear else []),
        "late",
        *([DEAD_TIME] if paired else []),
        *heads,
        "verdict",
    )
    notes = ["Typical: median. Pulse width: median. Jitter: standard deviation of the reaction time."]
    if paired:
        notes.append(DEAD_TIME_NOTE)
    if compared:
        notes.append(f"Compared: {listing(compared)}.")
    missing = [name for name in ("power", "temperature") if name not in heads]
    if missing and absent:
        why = NO_SENSOR if all(context.get("readings") for context in contexts) else NOT_READ
        notes.append(f"{listing(missing).capitalize()}: {why}.")
    return BoardTable(headings, tuple(rows), tuple(footnotes), tuple(notes), tuple(records))


def verdict(view: RunView) -> str:
    """Whether the deadline is kept, in three words at most, after the deadline itself."""
    if view.deadline_ns is None:
        return "no deadline"
    return f"{exactly(view.deadline_ns)}: {VERDICTS.get(view.judged, 'not judged')}"


def _missed(view: RunView) -> str:
    lost = view.counts.get("missed", 0)
    return f"{lost:,} ({share(lost, view.stimuli)})" if lost else "0" if view.stimuli else NOTHING


def _late(view: RunView) -> str:
    if view.deadline_ns is None:
        return NOTHING
    late = int(view.late().sum())
    return f"{late:,} ({share(late, view.stimuli)})" if late else "0" if view.stimuli else NOTHING


def _unlike(views: Sequence[RunView], comparison: Comparison | None) -> tuple[list[int], list[str], list[str]]:
    """Number of each row's footnote, the footnotes, and what was varied on purpose."""
    if comparison is None or len(views) < 2:
        return [0] * len(views), [], []
    marks: list[int] = []
    footnotes: list[str] = []
    for index, others in enumerate(unlike_first(comparison)):
        if not others:
            marks.append(0)
            continue
        told = "; ".join(f"{respect} {_value(comparison, respect, index)}" for respect in others)
        text = f"Not like {letter(0)}: {clean(told)}."
        if text not in footnotes:
            footnotes.append(text)
        marks.append(footnotes.index(text) + 1)
    return marks, footnotes, comparison.compared


def _value(comparison: Comparison, respect: str, index: int) -> str:
    """What this run and the first one have, such as "spin (A: block)"."""
    values = {who: value for value, whose in comparison.differences[respect].items() for who in whose}
    return f"{values.get(letter(index), NOTHING)} ({letter(0)}: {values.get(letter(0), NOTHING)})"


def _record(index: int, view: RunView, footnote: str) -> dict[str, Any]:
    reaction, width = view.summary.get("reaction") or {}, view.summary.get("pulse_width") or {}
    context = view.summary.get("context") or {}
    power, heat = context.get("power") or {}, context.get("temperature") or {}
    return {
        "run": letter(index), "name": clean(view.title), "measured_by": measured_by(clean(view.evidence), view.virtual),
        "typical_ns": reaction.get("median_ns"), "best_ns": reaction.get("min_ns"), "worst_ns": reaction.get("max_ns"),
        "pulse_width_ns": width.get("median_ns"), "jitter_std_ns": reaction.get("std_ns"), "stimuli": view.stimuli,
        "missed": view.counts.get("missed"), "not_matched": view.counts.get("ambiguous", 0),
        "late": None if view.deadline_ns is None else int(view.late().sum()), "deadline_ns": view.deadline_ns,
        "verdict": view.judged or None, "power_uw": power.get("mean_uw"),
        "temperature_max_mc": heat.get("max_mc"), "not_like_first": footnote,
        **({} if view.gaps is None else {"dead_time_ns": view.gaps.dead_time.gap_ns}),
    }  # fmt: skip
