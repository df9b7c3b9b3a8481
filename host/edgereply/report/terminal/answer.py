"""What a command ends with: at most twelve lines that carry the answer. Everything else stands before them, or nowhere.

Twelve lines leave half of a terminal of 24 lines to what was said before. A command hands over lines in the order in
which they are read, each with a rank; where they are too many, those of highest rank go, and one line says how many.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from rich.cells import cell_len
from rich.console import Console
from rich.text import Text

from edgereply.evaluation.headline import Headline
from edgereply.report.terminal.console import is_plain, stdout_console
from edgereply.report.terminal.span import LEAST_WIDTH, axis_of, bar, labelled_bar
from edgereply.wording.evidence import grade_words
from edgereply.wording.folding import fold
from edgereply.wording.numbers import NOTHING, clean, listing

MOST_LINES: Final = 12
# What is no terminal is taken for a narrow one, so that a file holds what a screen would show.
PIPED_WIDTH: Final = 80
_GAP: Final = 2
_LEAST_NAME: Final = 10
_MORE: Final = "({count} more {lines}: --details)"


@dataclass(frozen=True, slots=True)
class Part:
    """Lines that stand or go together.

    Attributes:
        rows: already as wide as the screen allows.
        rank: 0 stays whatever happens; of the others the highest goes first.
        counted: whether its going is told.
        sentence: the rows as the one line they are folded from; None for a picture or a table.
    """

    rows: list[Text]
    rank: int = 0
    counted: bool = True
    sentence: Text | None = None


class Screen:
    """Stdout as a place for an answer: how wide it is, and what it can show."""

    def __init__(self, console: Console | None = None) -> None:
        """
        Args:
            console: where; stdout where None.
        """
        self.console = console or stdout_console()
        self.width = max(30, self.console.width) if self.console.is_terminal else PIPED_WIDTH
        self.plain = is_plain(self.console)

    def sentence(self, text: str, style: str = "", rank: int = 0, counted: bool = True) -> Part:
        """A sentence, folded on a terminal; elsewhere it stays one line and counts as the lines it would take."""
        rows = [Text(row, style=style) for row in fold(text, self.width).split("\n")]
        return Part(rows, rank, counted, Text(text, style=style))

    def show(self, parts: Sequence[Part], below: int = 0) -> None:
        """Print what fits.

        Args:
            parts: in reading order.
            below: lines that the command writes after these.
        """
        sys.stderr.flush()
        for part in fitting(parts, MOST_LINES - below):
            folded = self.console.is_terminal or part.sentence is None
            for row in part.rows if folded or part.sentence is None else [part.sentence]:
                self.console.print(row, soft_wrap=True)


def fitting(parts: Sequence[Part], most: int) -> list[Part]:
    """The parts there is room for, and a line that counts the others.

    Args:
        parts: in reading order.
        most: lines.

    Returns:
        Parts of rank 0, whatever room they take, and of the others as many as fit, those of low rank first.
    """
    kept = list(parts)
    gone = 0
    while sum(len(part.rows) for part in kept) + bool(gone) > most:
        going = max(kept, key=lambda part: part.rank, default=None)
        if going is None or going.rank == 0:
            break
        last = max(place for place, part in enumerate(kept) if part.rank == going.rank)
        gone += len(kept[last].rows) if kept[last].counted else 0
        del kept[last]
    if not gone:
        return kept
    words = _MORE.format(count=gone, lines="line" if gone == 1 else "lines")
    return [*kept, Part([Text(words, style="dim")])]


def headline_parts(headline: Headline, screen: Screen, where: str = "", picture: bool = True) -> list[Part]:
    """One run: the answer, what was not as it should be, what it is about, and its times.

    Args:
        headline: the run.
        screen: where it is shown.
        where: the run's directory, named in place of what was measured.
        picture: the times as a picture of three lines; False puts them into one.
    """
    parts = [screen.sentence(headline.answer, style="bold red" if headline.outcome == "fail" else "bold")]
    if trouble := headline.trouble():
        parts.append(screen.sentence(f"! {' '.join(trouble)}", style="red"))
    elif headline.all_well():
        parts.append(screen.sentence(headline.all_well()))
    parts.append(Part([_about(where or headline.name, headline.grade, screen.width)]))
    drawn = labelled_bar(headline, screen.width - 1, screen.plain) if picture else []
    if drawn:
        parts.append(Part(drawn[:1], rank=1, counted=False))
        parts.append(Part(drawn[1:]))
    else:
        parts.append(screen.sentence("   ".join(f"{name} {text}" for name, text in headline.times())))
    return parts


def table_parts(headlines: Sequence[Headline], screen: Screen, most: int) -> list[Part]:
    """Several runs or conditions, a line each; where they are too many, the quickest and the slowest of them.

    Args:
        headlines: one or more.
        screen: where they are shown.
        most: lines for all of it; what must be said of the runs and three of them are there whatever it is.
    """
    said = [screen.sentence(f"! {line}", style="red") for line in _trouble(headlines)]
    # The heading of the table takes a line, and so does the count of what is left out.
    room = max(3, most - 1 - sum(len(part.rows) for part in said))
    shown, left_out = chosen(headlines, room if len(headlines) <= room else max(3, room - 1))
    parts = [Part(_table(shown, screen))]
    if left_out:
        noun = "condition" if left_out == 1 else "conditions"
        words = f"({left_out} more {noun}, by typical answer between these: --details)"
        parts.append(screen.sentence(words, style="dim"))
    return parts + said


def chosen(headlines: Sequence[Headline], most: int) -> tuple[list[Headline], int]:
    """As many as there is room for: the quickest and the slowest by their typical answer, in the order given.

    Returns:
        Those, and how many are left out.
    """
    if len(headlines) <= most:
        return list(headlines), 0
    order = sorted(range(len(headlines)), key=lambda place: headlines[place].typical_ns or 2**62)
    slowest = most // 2
    kept = sorted([*order[: most - slowest], *order[len(order) - slowest :]])
    return [headlines[place] for place in kept], len(headlines) - len(kept)


def _table(headlines: Sequence[Headline], screen: Screen) -> list[Text]:
    grades = list(dict.fromkeys(item.grade for item in headlines))
    wide = screen.width >= 100
    columns: list[tuple[str, list[str]]] = []
    for place, name in enumerate(("best", "typical", "99 % within", "worst")):
        if place != 2 or wide:
            columns.append((name, [dict(item.times()).get(name, NOTHING) for item in headlines]))
    columns.append(("late", [NOTHING if item.deadline_ns is None else f"{item.late:,}" for item in headlines]))
    columns.append(("missed", [f"{item.missed + item.coalesced:,}" for item in headlines]))
    if any(item.unmatched for item in headlines):
        columns.append(("unmatched", [f"{item.unmatched:,}" for item in headlines]))
    columns.append(("deadline", [item.deadline_word for item in headlines]))
    virtual = {item.grade.startswith("virtual") for item in headlines}
    if len(grades) > 1 and wide:
        columns.append(("measured by", [_capitals(item.grade) for item in headlines]))
    elif len(virtual) > 1:
        columns.append(("", ["VIRTUAL" if item.grade.startswith("virtual") else "" for item in headlines]))
    widths = [max(cell_len(text) for text in (name, *cells)) for name, cells in columns]
    room = screen.width - 1 - sum(width + _GAP for width in widths)
    names = [clean(item.name) for item in headlines]
    title = _capitals(grades[0]) if len(grades) == 1 else "VIRTUAL" if virtual == {True} else ""
    longest = max(cell_len(text) for text in (*names, title))
    name_width = max(_LEAST_NAME, min(longest, room))
    bars = room - name_width - _GAP
    axis = axis_of(headlines, bars) if bars >= LEAST_WIDTH else None
    head = Text(title[:name_width].ljust(name_width), style="bold")
    if title.startswith("VIRTUAL"):
        head.stylize("bold black on yellow", 0, len("VIRTUAL"))
    for (name, _), width in zip(columns, widths, strict=True):
        head.append(" " * _GAP + name.rjust(width), style="dim")
    rows = [head]
    for place, item in enumerate(headlines):
        row = Text(_cut(names[place], name_width).ljust(name_width), style="bold")
        for (name, cells), width in zip(columns, widths, strict=True):
            row.append(" " * _GAP + cells[place].rjust(width), style=_style(name, cells[place]))
        if axis is not None:
            row.append(" " * _GAP)
            row.append(bar(item, axis, screen.plain))
        rows.append(row)
    return rows


def _style(column: str, cell: str) -> str:
    bad = (column in ("late", "missed", "unmatched") and cell not in ("0", NOTHING)) or cell == "NOT KEPT"
    return "bold red" if bad else ""


def _trouble(headlines: Sequence[Headline]) -> list[str]:
    lines = []
    if who := [
        f"{item.unmatched:,} of {item.stimuli:,} ({short_name(item.name)})" for item in headlines if item.unmatched
    ]:
        said = listing(who) if len(who) <= 3 else f"{sum(item.unmatched for item in headlines):,} (all together)"
        lines.append(f"{said} stimuli could not be matched and are NOT in the times.")
    reasons: dict[str, list[str]] = {}
    for item in headlines:
        if item.cut:
            reasons.setdefault(clean(item.cut), []).append(short_name(item.name))
    for cut, whose in reasons.items():
        lines.append(f"{listing(whose) if len(whose) <= 3 else f'{len(whose)} conditions'}: {cut}")
    return lines


def short_name(name: str) -> str:
    """What a run is called in a sentence: a letter where a name starts with one, as in a comparison."""
    letter, colon, _ = name.partition(": ")
    return letter if colon and len(letter) <= 3 else clean(name, 40)


def _about(name: str, grade: str, width: int) -> Text:
    virtual, _, rest = grade_words(clean(grade)).partition(" · ")
    if virtual != "virtual":
        return Text(f"{clean(name)} (measured by: {virtual})", style="dim")
    told = f" · measured by: {rest}"
    if len(clean(name)) + len("  VIRTUAL") + len(told) > width:  # it keeps to one row
        told = f" · {rest}"
    return Text.assemble((f"{clean(name)}  ", "dim"), ("VIRTUAL", "bold black on yellow"), (told, "dim"))


def _capitals(grade: str) -> str:
    return grade_words(clean(grade), "VIRTUAL")


def _cut(text: str, width: int) -> str:
    """Shortened to a width: after its letter, where it has one, since the end of a path tells more than its start."""
    if len(text) <= width:
        return text
    letter = text[: text.find(": ") + 2] if short_name(text) != text and ": " in text[:6] else ""
    rest = width - len(letter) - 1
    return f"{letter}…{text[len(text) - rest :]}"
