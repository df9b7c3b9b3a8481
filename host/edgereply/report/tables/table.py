"""Tables of a report as Markdown, LaTeX and HTML for people, as CSV and JSON for programs."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from edgereply.comparison.compare import Comparison
from edgereply.evaluation.run_view import RunView, letter
from edgereply.report.tables.boards import board_table
from edgereply.report.tables.html_table import html_table
from edgereply.report.tables.latex import latex
from edgereply.report.tables.lines import compared_to_first, comparison_lines, unlike_first
from edgereply.report.tables.rows import Cell, condition_rows, summary_groups
from edgereply.wording.evidence import all_measured_by, grade_words
from edgereply.wording.numbers import clean, is_rough

NAMES: Final = ("boards", "summary", "comparison", "conditions")
FORMATS: Final = ("md", "csv", "json", "tex", "html")
# A spreadsheet would run such text as a formula.
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")


@dataclass(frozen=True, slots=True)
class Table:
    """A table, as text and as numbers.

    Attributes:
        caption: what it is, with the grade of evidence of every run.
        header: of the text form.
        rows: the text form.
        records: the same with integer nanoseconds, one row each; all have the same keys.
        virtual: whether any run is.
        notes: below it, one sentence or more each.
    """

    caption: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    records: tuple[dict[str, Any], ...]
    virtual: bool
    notes: tuple[str, ...] = ()


def make_table(name: str, views: Sequence[RunView], comparison: Comparison) -> Table:
    """One of `NAMES`.

    Args:
        name: which.
        views: the runs.
        comparison: the same runs compared.
    """
    if name == "boards":
        return _boards(views, comparison)
    make = {"summary": _summary, "comparison": _comparison, "conditions": _conditions}[name]
    header, rows, records = make(views, comparison)
    who = "; ".join(f"{letter(i)}: {clean(view.title)} ({grade_words(view.grade)})" for i, view in enumerate(views))
    return Table(f"{name.capitalize()}. {who}", header, rows, records, any(view.virtual for view in views))


def render(table: Table, kind: str) -> str:
    """A table as the text of a file.

    Args:
        table: from `make_table`.
        kind: of `FORMATS`.
    """
    if kind == "json":
        return json.dumps({"caption": table.caption, "virtual": table.virtual, "rows": table.records}, indent=1,
                          ensure_ascii=False, allow_nan=False) + "\n"  # fmt: skip
    if kind == "csv":
        return _csv(table)
    if kind == "tex":
        return latex(table.caption, table.header, table.rows, table.notes)
    if kind == "html":
        return html_table(table.caption, table.header, table.rows, table.notes)
    lines = [table.header, ["---"] * len(table.header), *table.rows]
    body = "\n".join("| " + " | ".join(map(_markdown, line)) + " |" for line in lines)
    notes = "".join(f"\n{_markdown(note)}\n" for note in table.notes)
    return f"{_markdown(table.caption)}\n\n{body}\n{notes}"


_Made = tuple[tuple[str, ...], tuple[tuple[str, ...], ...], tuple[dict[str, Any], ...]]


def _boards(views: Sequence[RunView], comparison: Comparison) -> Table:
    made = board_table(views, comparison)
    rows = tuple((f"{row.name} [{row.mark}]" if row.mark else row.name, *row.cells) for row in made.rows)
    notes = (*(f"[{number}] {text}" for number, text in enumerate(made.footnotes, 1)), *made.notes)
    caption = f"Measured by: {all_measured_by((clean(view.evidence), view.virtual) for view in views)}"
    return Table(caption, made.headings, rows, made.records, any(view.virtual for view in views), notes)


def _summary(views: Sequence[RunView], comparison: Comparison) -> _Made:
    rows = tuple(
        (group.label if number == 0 else "", row.label, *map(_text, row.cells))
        for group in summary_groups(views)
        for number, row in enumerate(group.rows)
    )
    records = []
    for index, view in enumerate(views):
        samples = {name: view.summary.get(name) or {} for name in ("reaction", "pulse_width")}
        samples |= {f"segment {name}": part or {} for name, part in (view.summary.get("segments") or {}).items()}
        for sample, figures in samples.items():
            ends = figures.get("ci95") or {}
            for figure, value in figures.items():
                if not isinstance(value, int | float | None):
                    continue
                low, high = ends.get(figure) or (None, None)
                records.append({**_who(index, view), "sample": sample, "figure": figure, "value": value,
                                "ci95_low": low, "ci95_high": high, "rough": is_rough(figures, figure),
                                "needed": (figures.get("needed") or {}).get(figure)})  # fmt: skip
        for count, value in view.counts.items():
            records.append({**_who(index, view), "sample": "counts", "figure": count, "value": value,
                            "ci95_low": None, "ci95_high": None, "rough": False, "needed": None})  # fmt: skip
    return ("", "", *_heads(views)), rows, tuple(records)


def _comparison(views: Sequence[RunView], comparison: Comparison) -> _Made:
    rows, records = [], []
    headings, cells, _ = comparison_lines(comparison)
    beside = zip(compared_to_first(comparison), unlike_first(comparison), strict=True)
    sides = zip(views, comparison.places, cells, beside, strict=True)
    for index, (view, place, line, (chosen, unlike)) in enumerate(sides):
        marks = [f"compared: {', '.join(chosen)}"] * bool(chosen) + [f"≠ {', '.join(unlike)}"] * bool(unlike)
        mark = "–" if index == 0 else "; ".join(marks) or f"like {letter(0)}"
        rows.append((f"{letter(index)}: {view.title}", *map(_text, line), grade_words(view.grade), mark))
        record: dict[str, Any] = {**_who(index, view), "groups": place.groups, **place.entry.counts}
        summary = place.summary
        for name, found in summary.quantiles.items():
            stem = name.removesuffix("_ns")
            low, high = summary.ci95(name) or (None, None)
            record |= {
                name: summary.value_ns(name),
                f"{stem}_ci95_low_ns": low,
                f"{stem}_ci95_high_ns": high,
                f"{stem}_rough": found is not None and found.rough,
                f"{stem}_needed": summary.needed.get(name),
            }
        record |= {"max_ns": summary.max_ns, "deadline_ns": place.entry.deadline_ns,
                   "margin_ns": place.margin.left_ns, "margin_why_not": place.margin.why_not}  # fmt: skip
        records.append({**record, "compared": ", ".join(chosen), "not_like_first": ", ".join(unlike)})
    return ("run", *headings, "measured by", f"against {letter(0)}"), tuple(rows), tuple(records)


def _conditions(views: Sequence[RunView], comparison: Comparison) -> _Made:
    rows, records = [], []
    for index, view in enumerate(views):
        for item in condition_rows(view):
            remark = "differs" if item.differs else ""
            rows.append(
                (f"{letter(index)} ({grade_words(view.grade)})", item.name, item.requested, item.in_effect, remark)
            )
            records.append({**_who(index, view), "setting": item.name, "requested": item.requested,
                            "in_effect": item.in_effect, "differs": item.differs})  # fmt: skip
    return ("run", "setting", "requested", "in effect", "remark"), tuple(rows), tuple(records)


def _who(index: int, view: RunView) -> dict[str, Any]:
    return {"run": letter(index), "name": clean(view.title), "evidence": view.grade, "virtual": view.virtual}


def _heads(views: Sequence[RunView]) -> list[str]:
    return [f"{letter(index)}: {view.title} ({grade_words(view.grade)})" for index, view in enumerate(views)]


def _text(cell: Cell) -> str:
    return f"{cell.value} [{cell.interval}]" if cell.interval else cell.value


def _markdown(text: str) -> str:
    safe = clean(text)
    for character in "\\|<>*_`[]#&":
        safe = safe.replace(character, f"\\{character}" if character not in "<>&" else
                            {"<": "&lt;", ">": "&gt;", "&": "&amp;"}[character])  # fmt: skip
    return safe


def _csv(table: Table) -> str:
    text = io.StringIO()
    writer = csv.DictWriter(text, list(table.records[0]) if table.records else ["run"], lineterminator="\r\n")
    writer.writeheader()
    for record in table.records:
        writer.writerow({key: _cell(value) for key, value in record.items()})
    return text.getvalue()


def _cell(value: Any) -> Any:
    if isinstance(value, str):
        safe = clean(value)
        return f"'{safe}" if safe.startswith(_FORMULA) else safe
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else value
