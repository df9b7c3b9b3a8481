"""One figure or one table of a report as a file."""

import re
from pathlib import Path

from edgereply.errors import SettingError
from edgereply.report.document import write_whole
from edgereply.report.figures import pictures, plots
from edgereply.report.material import Material
from edgereply.report.tables.table import FORMATS, NAMES, make_table, render
from edgereply.wording.numbers import listing
from edgereply.wording.screen import put

_SIZE = re.compile(r"(\d{2,5})x(\d{2,5})")
_MOST_PIXELS = 10_000
PAGE_ENDINGS = ("html", "htm")


def check_names(figure: str, table: str, output: Path | None, size: str) -> None:
    """Refuse what cannot be written before anything is evaluated.

    Raises:
        SettingError: an unknown figure, table, format or size.
    """
    if figure and table:
        raise SettingError("one figure or one table at a time", where="report", remedy="leave --figure or --table out")
    if figure:
        _one_of(figure, plots.NAMES, "--figure")
        _one_of(
            _suffix(output or _picture_path(figure)),
            pictures.FORMATS,
            "--output",
            f"end its name with {_endings(pictures.FORMATS)}",
        )
        _pixels(size)
    elif table:
        _one_of(table, NAMES, "--table")
        if output is not None:
            _one_of(_suffix(output), FORMATS, "--output", f"end its name with {_endings(FORMATS)}")
    elif output is not None:
        _page_ending(output)


def write_figure(
    material: Material, name: str, output: Path | None, size: str = "1280x720", dark: bool = False
) -> Path:
    """Draw one figure into a file.

    Raises:
        SettingError: these runs cannot fill it, or it cannot be drawn or written.
    """
    path = output or _picture_path(name)
    figure = plots.draw(name, material.views)
    if figure is None:
        have = [other for other in plots.NAMES if plots.draw(other, material.views) is not None]
        remedy = f"they have: {', '.join(have)}" if have else "nothing was answered in them"
        raise SettingError(f"these runs have no figure {name!r}", where="--figure", remedy=remedy)
    width, height = _pixels(size)
    title = plots.FIGURES[name].heading + (f": {material.views[0].title}" if len(material.views) == 1 else "")
    write_whole(path, pictures.picture(figure, _suffix(path), width, height, title, dark), "the picture")
    return path


def write_table(material: Material, name: str, output: Path | None, to_stdout: bool) -> Path | None:
    """Write one table into a file, or as Markdown to stdout.

    Raises:
        SettingError: it cannot be written.
    """
    made = make_table(name, material.views, material.comparison)
    if output is None:
        if to_stdout:
            put(render(made, "md"), end="")
        return None
    write_whole(output, render(made, _suffix(output)).encode(), "the table")
    return output


def _page_ending(output: Path) -> None:
    kind = _suffix(output)
    if kind in PAGE_ENDINGS:
        return
    remedy = "end its name with .html"
    if kind in pictures.FORMATS:
        remedy = f"name the figure too, such as --figure boards; or {remedy}"
    elif kind in FORMATS:
        remedy = f"name the table too, such as --table boards; or {remedy}"
    raise SettingError(f"a page is no {kind!r}" if kind else "a page needs an ending", where="--output", remedy=remedy)


def _endings(kinds: tuple[str, ...]) -> str:
    return listing([f".{kind}" for kind in kinds]).replace(" and ", " or ")


def _picture_path(name: str) -> Path:
    return Path(f"{name}.svg")


def _suffix(path: Path) -> str:
    return path.suffix.lower().removeprefix(".")


def _one_of(name: str, names: tuple[str, ...], where: str, remedy: str = "") -> None:
    if name not in names:
        raise SettingError(f"unknown {name!r}", where=where, remedy=remedy or f"one of: {', '.join(names)}")


def _pixels(size: str) -> tuple[int, int]:
    found = _SIZE.fullmatch(size)
    width, height = (int(found[1]), int(found[2])) if found else (0, 0)
    if not (100 <= width <= _MOST_PIXELS and 100 <= height <= _MOST_PIXELS):
        raise SettingError(f"{size!r} is no size", where="--size", remedy="write 1280x720, each from 100 to 10000")
    return width, height
