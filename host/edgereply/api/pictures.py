"""Figures of runs as pictures."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from edgereply.errors import SettingError
from edgereply.evaluation.run_view import RunView

_SIZE: Final = re.compile(r"(\d{2,5})x(\d{2,5})")
_MOST_PIXELS: Final = 10_000
SIZE: Final = "1280x720"
FORMATS: Final = ("svg", "png", "pdf")


@dataclass(frozen=True, slots=True)
class Picture:
    """One figure, drawn when it is asked for. A notebook shows it as it stands.

    Attributes:
        kind: its name, as of `edgereply report --figure`.
        title: first line of the picture; how the times were measured is the second.
        notes: what it leaves out, in sentences.
    """

    kind: str
    title: str
    notes: tuple[str, ...]
    _drawing: Any = field(repr=False)

    def to_bytes(self, form: str = "svg", size: str = SIZE, dark: bool = False) -> bytes:
        """The picture as a file's content, the same for the same run.

        Args:
            form: "svg", "png" or "pdf".
            size: pixels, such as "1280x720"; in a PDF points.
            dark: light marks on a dark ground.

        Raises:
            SettingError: an unknown format, or no size.
        """
        from edgereply.report.figures.pictures import picture

        if form not in FORMATS:
            raise SettingError(f"unknown {form!r}", where="form", remedy=f"one of: {', '.join(FORMATS)}")
        width, height = pixels(size, "size")
        return picture(self._drawing, form, width, height, self.title, dark)

    def save(self, path: str | Path, size: str = SIZE, dark: bool = False) -> Path:
        """Write it to a file whose ending says the format; a file of that name is replaced.

        Returns:
            The path.

        Raises:
            SettingError: the ending is none of .svg, .png, .pdf; no size; or the file cannot be written.
        """
        from edgereply.report.document import write_whole

        target = Path(path)
        write_whole(target, self.to_bytes(target.suffix.lower().removeprefix("."), size, dark), "the picture")
        return target

    def _repr_svg_(self) -> str:
        return self.to_bytes().decode()


def draw_figure(kind: str, views: Sequence[RunView], where: str = "kind") -> Picture:
    """One figure of some runs.

    Args:
        kind: its name.
        views: the runs in it.
        where: what an error names as its place.

    Raises:
        SettingError: there is none of that name, or these runs cannot fill it.
    """
    from edgereply.report.figures import plots

    if kind not in plots.NAMES:
        raise SettingError(f"unknown {kind!r}", where=where, remedy=f"one of: {', '.join(plots.NAMES)}")
    drawing = plots.draw(kind, views)
    if drawing is None:
        have = [other for other in plots.NAMES if plots.draw(other, views) is not None]
        remedy = f"they have: {', '.join(have)}" if have else "nothing was answered in them"
        raise SettingError(f"these runs have no figure {kind!r}", where=where, remedy=remedy)
    title = plots.FIGURES[kind].heading + (f": {views[0].title}" if len(views) == 1 else "")
    return Picture(kind, title, tuple(drawing.notes), drawing)


def pixels(size: str, where: str) -> tuple[int, int]:
    """Width and height of a size such as 1280x720.

    Raises:
        SettingError: it is none, or out of range.
    """
    found = _SIZE.fullmatch(size)
    width, height = (int(found[1]), int(found[2])) if found else (0, 0)
    if not (100 <= width <= _MOST_PIXELS and 100 <= height <= _MOST_PIXELS):
        raise SettingError(f"{size!r} is no size", where=where, remedy="write 1280x720, each from 100 to 10000")
    return width, height
