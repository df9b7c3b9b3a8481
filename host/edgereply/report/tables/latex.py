"""A table in LaTeX that needs no package beyond the format itself."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from edgereply.wording.numbers import clean

_CODES: Final = {
    "\\": r"\textbackslash{}", "{": r"\{", "}": r"\}", "&": r"\&", "%": r"\%", "$": r"\$", "#": r"\#", "_": r"\_",
    "~": r"\textasciitilde{}", "^": r"\textasciicircum{}", "<": "$<$", ">": "$>$",
    "|": "$|$", "µ": r"\textmu{}", "−": "$-$", "–": "--", "≥": r"$\geq$", "≠": r"$\neq$", "±": r"$\pm$",
    "·": r"$\cdot$", "…": r"\dots{}", "×": r"$\times$",
    "[": "{[}", "]": "{]}",
}  # fmt: skip


def latex(caption: str, header: Sequence[str], rows: Sequence[Sequence[str]], notes: Sequence[str] = ()) -> str:
    """A table environment.

    Args:
        caption: any text.
        header: any texts.
        rows: as many cells each.
        notes: below the table.

    Returns:
        LaTeX, in which no text of a cell is a command.
    """
    lines = [
        r"\begin{table}",
        rf"\caption{{{escaped(caption)}}}",
        rf"\begin{{tabular}}{{{'l' * len(header)}}}",
        r"\hline",
        _line(header),
        r"\hline",
        *map(_line, rows),
        r"\hline",
        r"\end{tabular}",
        *(rf"\par {escaped(note)}" for note in notes),
        r"\end{table}",
    ]
    return "\n".join(lines) + "\n"


def escaped(text: str) -> str:
    """Text that LaTeX sets as it is."""
    return "".join(_CODES.get(character, character) for character in clean(text))


def _line(cells: Sequence[str]) -> str:
    return " & ".join(map(escaped, cells)) + r" \\"
