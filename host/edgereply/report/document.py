"""Runs into one page: a single file that needs no network, with nothing in it that a name could turn into code."""

from __future__ import annotations

import base64
import hashlib
import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from jinja2 import Environment, PackageLoader, StrictUndefined

from edgereply.errors import SettingError
from edgereply.report import figures, readings, rows, theme
from edgereply.report.context_rows import context_group
from edgereply.report.interval_words import interval_words
from edgereply.report.text import clean
from edgereply.report.view import COMPLETE, RunView, flatten, letter

_AS_IS: Final = {"<": "\\u003c", ">": "\\u003e", "&": "\\u0026", "\u2028": "\\u2028", "\u2029": "\\u2029"}
SAFETY: Final = (
    "An input made for 3.3 V is destroyed by 5 V: put a divider or a level shifter between them.",
    "Connect the grounds before any signal, and switch the power off before moving a wire.",
    "Put about 1 kΩ in series with every signal wire and a pull-down on the input, and never join two outputs.",
    "A spinning real-time process can starve a board with one core: leave the kernel's real-time throttle on.",
    "A board under load gets hot.",
    "These figures are evidence for a design. They certify nothing: where people or plant depend on a reaction time, "
    "the standards that apply and a qualified engineer decide.",
)


@dataclass(frozen=True, slots=True)
class _Plot:
    key: str
    heading: str
    reading: readings.Reading
    figure: dict[str, Any]


def page(views: Sequence[RunView], title: str | None = None) -> str:
    """Render runs, beside each other where there are several.

    Args:
        views: one or more runs, in the order of their columns.
        title: of the page; the run's own where there is one run.

    Returns:
        The HTML document, UTF-8 text with line feeds.

    Raises:
        ValueError: no run.
    """
    if not views:
        raise ValueError("a report needs at least one run")
    plots = _plots(views)
    library, script = figures.library(), _file("page.js")
    data = {
        "figures": [{"key": plot.key, "spec": plot.figure} for plot in plots],
        "dark": theme.swap_table(),
    }
    environment = Environment(
        loader=PackageLoader("edgereply.report", "."), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True, keep_trailing_newline=True,
    )  # fmt: skip
    environment.filters["clean"] = clean
    return environment.get_template("page.html.j2").render(
        title=title if title is not None else (views[0].title if len(views) == 1 else f"{len(views)} runs compared"),
        policy=_policy(library, script),
        library=library,
        script=script,
        style=_style(),
        data=embedded(data),
        runs=[_run(view, index) for index, view in enumerate(views)],
        groups=[*rows.summary_groups(views), context_group(views)],
        plots=plots,
        evidence=readings.EVIDENCE,
        virtual_words=readings.VIRTUAL,
        interval_words=interval_words(views),
        any_virtual=any(view.virtual for view in views),
        safety=SAFETY,
        complete=COMPLETE,
    )


def write_page(views: Sequence[RunView], path: Path, title: str | None = None) -> None:
    """Write the page, whole or not at all.

    Args:
        views: one or more runs.
        path: the file; replaced where it exists.
        title: of the page, see `page`.

    Raises:
        SettingError: the file cannot be written there.
        ValueError: no run.
    """
    text = page(views, title)
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        # No newline translation: scripts run by the hash of their exact text.
        beside.write_text(text, encoding="utf-8", newline="\n")
        beside.replace(path)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise SettingError(
            f"the page cannot be written: {error.strerror or error}", where=str(path), remedy="choose another --output"
        ) from error


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


def _plots(views: Sequence[RunView]) -> list[_Plot]:
    made = [
        ("distribution", "Reaction time, how often", readings.distribution(views), figures.distribution(views)),
        ("tail", "The slow end", readings.tail(views), figures.tail(views)),
        ("over-time", "Reaction time over the run", readings.over_time(views), figures.over_time(views)),
        ("persistence", "All responses laid over each other", readings.persistence(views), figures.persistence(views)),
        ("segments", "Segments", readings.segments(views), figures.segments(views)),
    ]
    if len(views) > 1:
        beside = readings.Reading(
            "Quantiles of the reaction time, a bar over each 95 % interval. Intervals that do not overlap tell runs "
            "apart; they allow for answers that depend on each other. The figures are in the table above."
        )
        made.insert(0, ("quantiles", "Runs beside each other", beside, figures.quantiles(views)))
    return [
        _Plot(key, heading, reading, json.loads(figure.to_json()))
        for key, heading, reading, figure in made
        if figure is not None
    ]


def _run(view: RunView, index: int) -> dict[str, Any]:
    return {
        "view": view,
        "letter": letter(index),
        "verdict": readings.verdict(view),
        "conditions": rows.condition_rows(view),
        "environment": flatten(view.environment),
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


def _policy(*scripts: str) -> str:
    # The library writes style attributes, hence 'unsafe-inline' for styles; scripts run by their hash only.
    hashes = " ".join(
        f"'sha256-{base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()}'" for script in scripts
    )
    return (
        f"default-src 'none'; script-src {hashes}; style-src 'unsafe-inline'; img-src data: blob:; "
        "base-uri 'none'; form-action 'none'"
    )
