"""Who held up the slowest answers: a lane an answer, from the edge to the output set, coloured by who had the CPU."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from edgereply.analysis.lateness.attribution import Owner
from edgereply.evaluation.hold_up_words import owner_words, share_words
from edgereply.evaluation.hold_ups import HeldAnswer, HoldUps
from edgereply.evaluation.run_view import RunView, letter
from edgereply.report.figures import style
from edgereply.report.figures.drawing import Axis, Boxes, Drawing, Panel
from edgereply.report.figures.readings import Reading
from edgereply.wording.evidence import measured_by
from edgereply.wording.numbers import clean, duration, unit_for

# Owners that have a colour of their own; all others share the last.
_COLORS: Final = ("part1", "part2", "part3", "part4")
_ITSELF: Final = "envelope"
_OTHERS: Final = "all others"
_LONGEST_NAME: Final = 34


def hold_ups(views: Sequence[RunView]) -> Drawing | None:
    """The slowest recorded answers of the first run that has some.

    Args:
        views: the runs.

    Returns:
        The figure, or None where no run was traced or no late answer recorded.
    """
    index = _first(views)
    if index is None:
        return None
    found = _of(views, index)
    size, unit = unit_for(max(item.set_ns - item.edge_ns for item in found.worst))
    colors = _colors(found.worst)
    longest = max(item.set_ns - item.edge_ns for item in found.worst)
    count = len(found.worst)
    ticks = tuple((count - place - 0.5, _lane(item, place)) for place, item in reversed(list(enumerate(found.worst))))
    boxes = tuple(_boxes(name, color, found.worst, colors, size) for name, color in _key(colors))
    return Drawing(
        panels=(
            Panel(
                x=Axis(title=f"time since the edge ({unit})", low=0, high=max(longest, 1) * 1.04 / size, fixed=True),
                y=Axis(low=0, high=count, ticks=ticks, fixed=True, lines=False), items=boxes,
                title=style.title(views, index, 0) if len(views) > 1 else "", height=54 + 34 * count, rows=count,
            ),
        ),
        measured_by=style.measured_words(views),
        notes=tuple(_notes(found, views, index)),
        key=True,
    )  # fmt: skip


def hold_up_reading(views: Sequence[RunView]) -> Reading:
    """The same in words, and everybody who had a CPU in late answers in a table."""
    index = _first(views)
    found = None if index is None else views[index].hold_ups
    if index is None or found is None or found.culprits is None:
        return Reading("No run was recorded with trace, or none of its late answers.")
    view, culprits = views[index], found.culprits
    rows = tuple(
        (
            owner_words(item.owner), f"{100 * item.share:.3g} %",
            "–" if item.low is None or item.high is None else f"{100 * item.low:.3g} to {100 * item.high:.3g} %",
            f"{item.answers:,}", duration(item.worst_ns), duration(item.usual_ns),
        )
        for item in culprits.table
    )  # fmt: skip
    first = share_words(culprits.table[0], culprits.late) if culprits.table else ""
    return Reading(
        f"Run {letter(index)} ({measured_by(view.evidence, view.virtual)}): who had the CPU in its {len(found.worst)} "
        f"slowest recorded answers, from the board's first sight of the edge until the output was set. Of the extra "
        f"time of all {culprits.late:,} late ones recorded, {first}",
        ("who", "share of the extra time", "95 %", "answers", "at worst", "usually"),
        rows,
    )


def _first(views: Sequence[RunView]) -> int | None:
    return next((i for i, view in enumerate(views) if view.hold_ups is not None and view.hold_ups.worst), None)


def _of(views: Sequence[RunView], index: int) -> HoldUps:
    found = views[index].hold_ups
    assert found is not None
    return found


def _lane(item: HeldAnswer, place: int) -> str:
    which = f"{place + 1}." if item.stimulus is None else f"stimulus {item.stimulus + 1:,}"
    return f"{which}: {duration(item.reaction_ns)}"


def _colors(worst: Sequence[HeldAnswer]) -> dict[Owner, str]:
    """A colour for those with the most time; the answering program itself always has the same."""
    total: dict[Owner, int] = {}
    for item in worst:
        for span in item.spans:
            total[span.owner] = total.get(span.owner, 0) + span.end_ns - span.start_ns
    others = sorted((owner for owner in total if owner.kind != "answering"), key=lambda owner: -total[owner])
    few = len(others) <= len(_COLORS)
    colors = {owner: _COLORS[min(n, len(_COLORS) - 1)] for n, owner in enumerate(others)}
    own = {owner: color for owner, color in colors.items() if few or color != _COLORS[-1]}
    itself = {owner: _ITSELF for owner in total if owner.kind == "answering"}
    return own | itself


def _key(colors: dict[Owner, str]) -> list[tuple[str, str]]:
    return [*((_name(owner), color) for owner, color in colors.items()), (_OTHERS, _COLORS[-1])]


def _name(owner: Owner) -> str:
    return clean(owner_words(owner), _LONGEST_NAME)


def _boxes(name: str, color: str, worst: Sequence[HeldAnswer], colors: dict[Owner, str], size: int) -> Boxes:
    x, y, words, hover = [], [], [], []
    for place, item in enumerate(worst):
        for span in item.spans:
            mine = _name(span.owner) if span.owner in colors else _OTHERS
            if mine != name or (name != _OTHERS and colors[span.owner] != color):
                continue
            x.append(((span.start_ns - item.edge_ns) / size, (span.end_ns - item.edge_ns) / size))
            low = len(worst) - place - 1
            y.append((low + 0.14, low + 0.86))
            took = duration(span.end_ns - span.start_ns)
            words.append(took)
            hover.append(f"{owner_words(span.owner)}: {took}")
    return Boxes(x=x, y=y, color=color, name=name if x else "", words=words, hover=hover)


def _notes(found: HoldUps, views: Sequence[RunView], index: int) -> list[str]:
    notes = []
    if len(views) > 1:
        notes.append(f"Run {letter(index)} alone: a figure for each run is made of that run by itself.")
    if found.culprits is not None and found.culprits.late > len(found.worst):
        notes.append(f"Shown are the {len(found.worst)} slowest of {found.culprits.late:,} recorded late answers.")
    if found.recorded < found.late:
        notes.append(f"Of {found.late:,} late answers {found.recorded:,} were recorded.")
    return notes
