"""Runs into one page: a single file that needs no network, with nothing in it that a name could turn into code."""

from __future__ import annotations

import base64
import contextlib
import errno
import hashlib
import json
import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from jinja2 import Environment, PackageLoader, StrictUndefined

from edgereply.comparison.advice import Advice
from edgereply.comparison.compare import Comparison
from edgereply.comparison.conditions import compared_words, difference_words
from edgereply.errors import SettingError, StoreError
from edgereply.evaluation.run_view import COMPLETE, RunView, flatten, letter
from edgereply.report.figures import theme
from edgereply.report.figures.library import library_hash, packed_library
from edgereply.report.figures.plots import plots
from edgereply.report.first_screen import first_screen
from edgereply.report.tables import rows
from edgereply.report.tables.answer import EVIDENCE, VIRTUAL, answer
from edgereply.report.tables.context_rows import context_group
from edgereply.report.tables.interval_words import interval_words
from edgereply.report.tables.lines import comparison_lines, unlike_first
from edgereply.version import __version__
from edgereply.wording.evidence import all_measured_by, measured_by
from edgereply.wording.numbers import clean, exactly, listing

_AS_IS: Final = {"<": "\\u003c", ">": "\\u003e", "&": "\\u0026", "\u2028": "\\u2028", "\u2029": "\\u2029"}
# More lines than this over each other cannot be told apart at first sight; the rest waits to be ticked.
MOST_SHOWN: Final = 6
# Not for want of a better name: the disk's own trouble.
DISK_TROUBLE: Final = {errno.ENOSPC, errno.EDQUOT, errno.EIO, errno.EROFS, errno.EACCES, errno.EPERM}
SAFETY: Final = (
    "An input made for 3.3 V is destroyed by 5 V: put a divider or a level shifter between them.",
    "Connect the grounds before any signal, and switch the power off before moving a wire.",
    "Put about 1 kΩ in series with every signal wire and a pull-down on the input, and never join two outputs.",
    "A spinning real-time process can starve a board with one core: leave the kernel's real-time throttle on.",
    "A board under load gets hot.",
    "These figures are evidence for a design. They certify nothing: where people or plant depend on a reaction time, "
    "the standards that apply and a qualified engineer decide.",
)


def page(
    views: Sequence[RunView], comparison: Comparison | None = None, title: str = "", advice: Advice | None = None
) -> str:
    """Render runs, beside each other where there are several.

    Args:
        views: one or more runs, in the order of their columns.
        comparison: the same runs compared with each other, in the same order.
        title: of the page; one is made where it is "".
        advice: what settings change, for conditions of a sweep.

    Returns:
        The HTML document, UTF-8 text with line feeds.

    Raises:
        ValueError: no run.
    """
    if not views:
        raise ValueError("a report needs at least one run")
    shown = plots(views)
    script = _file("page.js")
    data = {
        "figures": [{"key": plot.key, "spec": plot.figure} for plot in shown],
        "dark": theme.swap_table(),
    }
    environment = Environment(
        loader=PackageLoader("edgereply.report", "."), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True, keep_trailing_newline=True,
    )  # fmt: skip
    environment.filters["clean"] = clean
    environment.filters["grades"] = lambda some: _grades(views, some)
    environment.filters["who"] = difference_words
    return environment.get_template("page.html.j2").render(
        title=title or (views[0].title if len(views) == 1 else f"{len(views)} runs compared"),
        policy=_policy(library_hash(), script),
        library=packed_library(),
        first=first_screen(views, comparison if len(views) > 1 else None),
        script=script,
        style=_style(),
        data=embedded(data),
        runs=[_run(view, index) for index, view in enumerate(views)],
        cautions=_cautions(views),
        groups=[*rows.summary_groups(views), context_group(views)],
        plots=shown,
        comparison=None if comparison is None or len(views) == 1 else _standing(comparison),
        advice=advice if advice is not None and advice.contrasts else None,
        first_shown=MOST_SHOWN,
        measured_words=all_measured_by((clean(view.evidence), view.virtual) for view in views),
        repeats=_repeats(views),
        tool_words=listing(list(dict.fromkeys(view.tool for view in views if view.tool))) or "an unknown version",
        version=__version__,
        evidence=EVIDENCE,
        virtual_words=VIRTUAL,
        interval_words=interval_words(views),
        any_virtual=any(view.virtual for view in views),
        safety=SAFETY,
        complete=COMPLETE,
    )


def write_page(
    views: Sequence[RunView], path: Path, comparison: Comparison | None = None, title: str = "",
    advice: Advice | None = None,
) -> None:  # fmt: skip
    """Write the page, whole or not at all.

    Args:
        views: one or more runs.
        path: the file; replaced where it exists.
        comparison: the same runs compared, see `page`.
        title: of the page, see `page`.
        advice: see `page`.

    Raises:
        SettingError: the file cannot be written there.
        ValueError: no run.
    """
    write_whole(path, page(views, comparison, title, advice).encode(), "the page")


def write_whole(path: Path, content: bytes, what: str) -> None:
    """Write a file whole or not at all.

    Args:
        path: the file; replaced where it exists.
        content: all of it; scripts in pages run by the hash of their exact text, so nothing is translated.
        what: for the error, such as "the page".

    Raises:
        SettingError: it cannot be written there.
        StoreError: the disk is full, broken or read-only.
    """
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        beside.write_bytes(content)
        beside.replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)
        told, place = f"{what} cannot be written: {error.strerror or error}", str(path)
        if error.errno in DISK_TROUBLE:
            raise StoreError(told, where=place, remedy="free space, or choose another --output") from error
        raise SettingError(told, where=place, remedy="choose another --output") from error


def embedded(data: Any) -> str:
    """JSON that may stand inside a script element.

    Args:
        data: JSON-ready.

    Returns:
        JSON without any character that could end the element or start a comment.
    """
    text = json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for character, code in _AS_IS.items():
        text = text.replace(character, code)
    return text


def _run(view: RunView, index: int) -> dict[str, Any]:
    return {
        "view": view,
        "letter": letter(index),
        "measured_by": measured_by(view.evidence, view.virtual),
        "answer": answer(view),
        "conditions": [_readable(item) for item in rows.condition_rows(view)],
        "environment": flatten(view.environment),
    }


def _readable(item: rows.Setting) -> rows.Setting:
    """Nanoseconds with the time they come to beside them: zeros are miscounted."""
    if not item.name.endswith("_ns"):
        return item
    asked, had = (
        f"{int(value):,} ({exactly(int(value))})" if value.isdecimal() and 3 < len(value) < 19 else value
        for value in (item.requested, item.in_effect)
    )
    return replace(item, requested=asked, in_effect=had)


def _grades(views: Sequence[RunView], some: Sequence[int]) -> list[dict[str, Any]]:
    """Grades of evidence of some runs, each with the letters that have it; without letters where all have the same."""
    found: dict[str, list[int]] = {}
    for index in some:
        found.setdefault(measured_by(views[index].evidence, views[index].virtual), []).append(index)
    return [
        {
            "grade": grade,
            "virtual": views[who[0]].virtual,
            "letters": ", ".join(map(letter, who)) if len(found) > 1 else "",
        }
        for grade, who in found.items()
    ]


def _cautions(views: Sequence[RunView]) -> list[tuple[str, str]]:
    """Cautions, each once, with the letters of the runs it is about; "" where it is about all of them."""
    found: dict[str, list[str]] = {}
    for index, view in enumerate(views):
        for caution in view.cautions:
            found.setdefault(caution, []).append(letter(index))
    return [("" if len(who) == len(views) else ", ".join(who), caution) for caution, who in found.items()]


def _repeats(views: Sequence[RunView]) -> list[dict[str, Any]]:
    """What repeats the runs, once where several are repeated by the same."""
    found: dict[tuple[tuple[str, ...], str], list[str]] = {}
    for index, view in enumerate(views):
        if view.repeat or view.bench:
            found.setdefault((tuple(view.repeat), view.bench), []).append(letter(index))
    return [{"who": who, "commands": commands, "bench": bench} for (commands, bench), who in found.items()]


def _standing(comparison: Comparison) -> dict[str, Any]:
    headings, cells, notes = comparison_lines(comparison)
    return {
        "headings": headings,
        "lines": list(zip(cells, unlike_first(comparison), comparison.places, strict=True)),
        "differences": comparison.differences,
        # What was compared on purpose differs in every row; only what differs besides needs a column.
        "unlike": bool(comparison.also_different),
        "words": [compared_words(comparison.differences), *comparison.sentences, *comparison.words],
        "how": [*notes, *comparison.method],
    }


def _file(name: str) -> str:
    return Path(__file__).with_name(name).read_text(encoding="utf-8")


def _style() -> str:
    light, dark = theme.style_sheet_variables(theme.LIGHT), theme.style_sheet_variables(theme.DARK)
    dark_rules = f':root[data-theme="dark"] {{\n  color-scheme: dark;\n{dark}\n}}\n'
    follow = (
        "@media screen and (prefers-color-scheme: dark) {\n"
        f':root:not([data-theme="light"]) {{\n  color-scheme: dark;\n{dark}\n}}\n}}\n'
    )
    printed = f"@media print {{\n:root[data-theme] {{\n  color-scheme: light;\n{light}\n}}\n}}\n"
    return f":root {{\n  color-scheme: light;\n{light}\n}}\n{dark_rules}{follow}{printed}{_file('page.css')}"


def _policy(library: str, script: str) -> str:
    # The library writes style attributes, hence 'unsafe-inline' for styles; scripts run by their hash only.
    own = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    return (
        f"default-src 'none'; script-src 'sha256-{library}' 'sha256-{own}'; style-src 'unsafe-inline'; "
        "img-src data: blob:; base-uri 'none'; form-action 'none'"
    )
