"""One figure or one table of a report as a file."""

from pathlib import Path

from edgereply.api.pictures import FORMATS as PICTURE_FORMATS
from edgereply.api.pictures import SIZE, draw_figure, pixels
from edgereply.errors import SettingError
from edgereply.report.document import write_whole
from edgereply.report.figures import plots
from edgereply.report.material import Material
from edgereply.report.tables.table import FORMATS, NAMES, make_table, render
from edgereply.wording.numbers import listing
from edgereply.wording.screen import put

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
            PICTURE_FORMATS,
            "--output",
            f"end its name with {_endings(PICTURE_FORMATS)}",
        )
        pixels(size, "--size")
    elif table:
        _one_of(table, NAMES, "--table")
        if output is not None:
            _one_of(_suffix(output), FORMATS, "--output", f"end its name with {_endings(FORMATS)}")
    elif output is not None:
        _page_ending(output)


def write_figure(material: Material, name: str, output: Path | None, size: str = SIZE, dark: bool = False) -> Path:
    """Draw one figure into a file.

    Raises:
        SettingError: these runs cannot fill it, or it cannot be drawn or written.
    """
    path = output or _picture_path(name)
    made = draw_figure(name, material.views, "--figure")
    write_whole(path, made.to_bytes(_suffix(path), size, dark), "the picture")
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
    if kind in PICTURE_FORMATS:
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
