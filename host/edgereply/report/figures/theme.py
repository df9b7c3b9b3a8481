"""Colours, once: the page's style sheet and the figures take them from here.

Figures are drawn in the light palette; the page's script swaps each light value for the dark one, so every value
within a palette is used for one purpose only. Text pairs reach a contrast of 4.5:1, lines and marks 3:1 (WCAG 2.2,
success criteria 1.4.3 and 1.4.11). Colour never stands alone: runs differ in dash and marker too.
"""

from __future__ import annotations

from typing import Final

RUN_NAMES: Final = ("run1", "run2", "run3", "run4", "run5", "run6")
DASHES: Final = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot")
MARKERS: Final = ("circle", "square", "diamond", "triangle-up", "pentagon", "star")

LIGHT: Final = {
    "page": "#fbfaf7",
    "panel": "#ffffff",
    "ink": "#1d2126",
    "quiet": "#535b65",
    "rule": "#d3d2cb",
    "grid": "#e7e6e0",
    "accent": "#0b5394",
    "good": "#17653f",
    "bad": "#a52710",
    "badpanel": "#fdf0ec",
    "stamp": "#5b3a00",
    "stamppanel": "#fdf1d3",
    "late": "#c23b12",
    "missed": "#7d2e86",
    "deadline": "#8c1d18",
    "envelope": "#3c434c",
    "run1": "#0b5cad",
    "run2": "#b4480a",
    "run3": "#0f7a5f",
    "run4": "#8a3b8f",
    "run5": "#6b5a00",
    "run6": "#444f5a",
    "part1": "#1f6f8b",
    "part2": "#a8481a",
    "part3": "#5c6b1e",
    "part4": "#7a4480",
    "density0": "#4a8fc4",
    "density1": "#23639f",
    "density2": "#123c70",
    "density3": "#0a1730",
}

DARK: Final = {
    "page": "#14171b",
    "panel": "#1b1f25",
    "ink": "#eceae4",
    "quiet": "#b3b9c1",
    "rule": "#3b424b",
    "grid": "#2c323a",
    "accent": "#8cc4ff",
    "good": "#7fd6a6",
    "bad": "#ff9d87",
    "badpanel": "#35201b",
    "stamp": "#ffdf9a",
    "stamppanel": "#3a2f14",
    "late": "#ff8a63",
    "missed": "#e29bea",
    "deadline": "#ff9f98",
    "envelope": "#c9ced4",
    "run1": "#6cb2ff",
    "run2": "#ffa061",
    "run3": "#4fd1a5",
    "run4": "#dd95e4",
    "run5": "#d9c04a",
    "run6": "#b7c1cb",
    "part1": "#5cb8d6",
    "part2": "#f0945e",
    "part3": "#b7c659",
    "part4": "#c99bd1",
    "density0": "#3e7fb5",
    "density1": "#5fb0dc",
    "density2": "#a9dcec",
    "density3": "#fff8d8",
}


def style_sheet_variables(palette: dict[str, str]) -> str:
    """The palette as CSS custom properties.

    Args:
        palette: name to colour.

    Returns:
        Declarations such as "--ink: #1d2126;", one a line.
    """
    return "\n".join(f"  --{name}: {value};" for name, value in palette.items())


def swap_table() -> dict[str, str]:
    """Light colour to dark colour, for redrawing a figure in the dark."""
    return {LIGHT[name]: DARK[name] for name in LIGHT}
