"""Choosing lines from what an inspection lists: which are free, which a name means, who holds one. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any

from edgereply.errors import SettingError
from edgereply.wording.numbers import duration


@dataclass(frozen=True, slots=True)
class ListedLine:
    """One line of a board.

    Attributes:
        chip: such as ``gpiochip0``.
        offset: on it.
        name: as the board names it; "" where it does not.
        user: who holds it; "" where nobody does.
        facts: direction and bias, as the kernel has them.
    """

    chip: str
    offset: int
    name: str
    user: str
    facts: str

    @property
    def place(self) -> str:
        """Chip and offset, as a bench file takes them."""
        return f"{self.chip}:{self.offset}"

    @property
    def row(self) -> str:
        """One row of a list, below 80 columns."""
        return f"{self.place:<14} {(self.name or '(unnamed)')[:24]:<24} {self.facts[:14]:<14} {self.used}"

    @property
    def used(self) -> str:
        """Who holds it."""
        return f"used by {self.user}"[:24] if self.user else "free"


def lines_of(report: Mapping[str, Any]) -> list[ListedLine]:
    """Every line that an inspection lists, chip by chip."""
    found = []
    for chip in report.get("chips", []):
        for line in chip.get("line_list", []):
            user = str(line.get("user") or ("another program" if line.get("used") else ""))
            facts = line_facts(line)
            found.append(
                ListedLine(str(chip.get("name")), int(line.get("offset", -1)), str(line.get("name") or ""), user, facts)
            )
    return found


def line_facts(line: Mapping[str, Any]) -> str:
    """How a line is set, in words: direction, bias, and what keeps edges from whoever holds it."""
    facts = [str(line[key]) for key in ("direction", "bias") if line.get(key)]
    if line.get("debounce_us"):
        facts.append(f"debounce {duration(1000 * int(line['debounce_us']))}")
    if line.get("edges"):
        facts.append(f"{line['edges']} edges only")
    return " ".join(facts)


def likely(lines: list[ListedLine]) -> list[ListedLine]:
    """The lines that nobody holds, named ones first."""
    free = [line for line in lines if not line.user]
    return [line for line in free if line.name] + [line for line in free if not line.name]


def having(lines: list[ListedLine], part: str) -> list[ListedLine]:
    """The lines that have a text in their name or place."""
    return [line for line in lines if part.lower() in f"{line.name} {line.place}".lower()]


def find(lines: list[ListedLine], text: str, role: str) -> ListedLine:
    """The free line that a name or a place means.

    Args:
        lines: of the board.
        text: a name, or chip and offset.
        role: what it is for, such as ``input``.

    Raises:
        SettingError: there is none, several have that name, or another program holds it.
    """
    found = [line for line in lines if text in (line.place, line.name)]
    if not found:
        near = get_close_matches(text, [line.name for line in lines if line.name] + [line.place for line in lines], 3)
        remedy = f"did you mean {' or '.join(near)}? " if near else ""
        raise SettingError(
            f"the board has no line {text!r}", where=role, remedy=f"{remedy}'edgereply inspect' lists all of them"
        )
    if len(found) > 1:
        places = ", ".join(line.place for line in found)
        raise SettingError(f"several lines are called {text!r}", where=role, remedy=f"name one by its place: {places}")
    (line,) = found
    if line.user:
        raise SettingError(
            f"the line {text} is used by {line.user}",
            where=role,
            remedy="choose another, or let go of it there: the kernel gives a line to one program only",
        )
    return line
