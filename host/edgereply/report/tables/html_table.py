"""A table in HTML that can be pasted into a page: no style, no script."""

from __future__ import annotations

import html
from collections.abc import Sequence

from edgereply.wording.numbers import clean


def html_table(caption: str, header: Sequence[str], rows: Sequence[Sequence[str]], notes: Sequence[str] = ()) -> str:
    """A table element, and its notes as paragraphs.

    Args:
        caption: any text.
        header: any texts.
        rows: as many cells each; the first is the row's own heading.
        notes: below the table.

    Returns:
        HTML, in which no text of a cell is an element.
    """
    heads = "".join(f'<th scope="col">{escaped(head)}</th>' for head in header)
    lines = ["<table>", f"<caption>{escaped(caption)}</caption>", f"<thead><tr>{heads}</tr></thead>", "<tbody>"]
    for name, *cells in rows:
        body = "".join(f"<td>{escaped(cell)}</td>" for cell in cells)
        lines.append(f'<tr><th scope="row">{escaped(name)}</th>{body}</tr>')
    lines += ["</tbody>", "</table>", *(f"<p>{escaped(note)}</p>" for note in notes)]
    return "\n".join(lines) + "\n"


def escaped(text: str) -> str:
    """Text that a browser shows as it is."""
    return html.escape(clean(text))
