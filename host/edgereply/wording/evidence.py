"""How a time was measured, as people read it; the grades' own names stand in files and in JSON."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

_WORDS: Final = {
    "loop-back": "source only",
    "inside": "board only",
    "joined": "source and board",
    "imported": "imported",
    "none": "nothing",
}


def measured_by(evidence: str, virtual: bool) -> str:
    """A grade of evidence in words.

    Args:
        evidence: loop-back, inside, joined or imported; several joined by "+".
        virtual: whether software wires or a virtual board took part.

    Returns:
        Such as "source only" or "source and board (virtual)"; a grade that is not known stays as it is.
    """
    words = " + ".join(_WORDS.get(part, part) for part in evidence.split("+"))
    return f"{words} (virtual)" if virtual else words


def grade_words(grade: str, virtual: str = "virtual") -> str:
    """A grade as it stands in files, in words.

    Args:
        grade: such as "virtual · joined" or "loop-back".
        virtual: the word put in place of "virtual".

    Returns:
        Such as "virtual · source and board" or "source only"; the word virtual stays first.
    """
    first, dot, rest = grade.partition(" · ")
    if first != "virtual":
        return measured_by(grade, False)
    return f"{virtual}{dot}{measured_by(rest, False)}" if dot else virtual


def all_measured_by(grades: Iterable[tuple[str, bool]]) -> str:
    """Several grades in words, each once: "source only / source and board (virtual)"."""
    return " / ".join(dict.fromkeys(measured_by(evidence, virtual) for evidence, virtual in grades))
