"""What a notebook shows of a result: plain HTML with the table for a slide and a picture, no script, no style."""

from __future__ import annotations

import base64
from collections.abc import Sequence

from edgereply.api.pictures import Picture
from edgereply.comparison.compare import Comparison
from edgereply.evaluation.run_view import RunView
from edgereply.report.first_screen import counts_sentence, verdict_sentence
from edgereply.report.tables.boards import board_table
from edgereply.report.tables.html_table import escaped, html_table
from edgereply.wording.evidence import all_measured_by
from edgereply.wording.numbers import clean

_SIZE = "960x480"


def paragraphs(sentences: Sequence[str], virtual: bool) -> str:
    """Sentences below each other, with the word where the times are not of a real board."""
    shown = ["Virtual.", *sentences] if virtual else sentences
    return "".join(f"<p>{escaped(line)}</p>\n" for line in shown)


def first_sight(views: Sequence[RunView], comparison: Comparison | None, picture: Picture | None) -> str:
    """The verdict, the table for a slide and a picture, as on the first screen of a page.

    Args:
        views: one or more runs.
        comparison: the same compared; None for a single one.
        picture: None where these runs have none.
    """
    made = board_table(views, comparison)
    measured = all_measured_by((clean(view.evidence), view.virtual) for view in views)
    rows = [[row.name + (f" [{row.mark}]" if row.mark else ""), *row.cells] for row in made.rows]
    footnotes = [f"[{number}] {text}" for number, text in enumerate(made.footnotes, 1)]
    said = f"{verdict_sentence(views)[1]} {counts_sentence(views)}."
    # As a picture of its own: two drawings within one document would share the names of their parts.
    drawn = "" if picture is None else _embedded(picture)
    table = html_table(f"measured by: {measured}", made.headings, rows, [*footnotes, *made.notes])
    return f"<p><b>{escaped(said)}</b></p>\n{drawn}{table}"


def _embedded(picture: Picture) -> str:
    data = base64.b64encode(picture.to_bytes("svg", _SIZE)).decode()
    return f'<img alt="{escaped(picture.title)}" src="data:image/svg+xml;base64,{data}">\n'
