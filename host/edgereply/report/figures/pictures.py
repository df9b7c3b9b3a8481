"""Figures as files for slides and papers: the only module that knows kaleido, which draws with an installed browser."""

from __future__ import annotations

from typing import Any, Final

from edgereply.errors import SettingError

FORMATS: Final = ("svg", "png", "pdf")
_PNG_SCALE: Final = 2
_MISSING: Final = "pip install -e '.[pictures]'"
_BROWSER: Final = "install Chromium or Chrome, such as: apt-get install chromium"


def picture(figure: Any, kind: str, width: int, height: int, title: str) -> bytes:
    """Draw a figure, in the light colours.

    Args:
        figure: from this package.
        kind: of `FORMATS`.
        width: pixels; a PNG has twice as many.
        height: pixels.
        title: stands before the grade of evidence, which is in every drawing.

    Returns:
        The file's content.

    Raises:
        SettingError: kaleido or a browser is missing, or the browser failed.
    """
    try:
        import kaleido
    except ImportError as error:
        raise SettingError("pictures need the package kaleido", where="--figure", remedy=_MISSING) from error
    drawn = figure.to_plotly_json()
    drawn["layout"]["title"] = {**drawn["layout"]["title"], "text": f"{title}; {drawn['layout']['title']['text']}"}
    drawn["layout"].pop("height", None)
    options = {"format": kind, "width": width, "height": height, "scale": _PNG_SCALE if kind == "png" else 1}
    try:
        # Formulas would be fetched from the network; there are none.
        content = kaleido.calc_fig_sync(drawn, opts=options, kopts={"mathjax": False})
    except Exception as error:
        missing = type(error).__name__ == "ChromeNotFoundError"
        raise SettingError(
            "pictures need a browser" if missing else f"the browser drew nothing: {error}",
            where="--figure",
            remedy=_BROWSER if missing else "try again, or take the figure from the page: its toolbar saves pictures",
        ) from error
    return content if isinstance(content, bytes) else str(content).encode()
