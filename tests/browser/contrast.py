"""Contrast of two colours as accessibility rules define it.

Source: Web Content Accessibility Guidelines 2.2, "relative luminance" and "contrast ratio".
"""

import re


def rgb(color: str) -> tuple[int, int, int]:
    """Read "#rgb", "#rrggbb" or "rgb(r, g, b)"."""
    if color.startswith("#"):
        digits = color[1:] if len(color) == 7 else "".join(2 * digit for digit in color[1:])
        red, green, blue = (int(digits[i : i + 2], 16) for i in (0, 2, 4))
        return red, green, blue
    found = re.fullmatch(r"rgba?\((\d+), (\d+), (\d+)(?:, 1)?\)", color)
    if found is None:
        raise ValueError(f"not an opaque colour: {color}")
    return int(found[1]), int(found[2]), int(found[3])


def luminance(color: str) -> float:
    """Relative luminance, 0 (black) to 1 (white)."""

    def linear(channel: int) -> float:
        share = channel / 255
        return share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4

    red, green, blue = (linear(channel) for channel in rgb(color))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio, 1 to 21."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)
