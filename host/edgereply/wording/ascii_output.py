"""Output where the terminal's character set lacks what we write: the nearest that it has, never an error."""

import codecs
import io
import sys

NEAREST = {
    "µ": "u", "·": "-", "−": "-", "–": "-", "±": "+-", "≥": ">=", "≤": "<=", "≠": "!=", "×": "x", "Ω": "ohm",
    "…": "...", "→": "->", "▶": ">", "◀": "<", "─": "-", "╌": "-", "━": "=", "╸": "=", "╺": "-", "°": "deg ", "✓": "v",
    "▁": "_", "▔": "-", "│": "|", "║": "#", "✗": "x", "√": "sqrt ", "\u00a0": " ",
}  # fmt: skip
_HANDLER = "edgereply-nearest"


def nearest(error: UnicodeError) -> tuple[str, int]:
    """What is written in place of characters that cannot be encoded; a codec's error handler.

    Raises:
        UnicodeError: `error`, when it is about anything but encoding.
    """
    if not isinstance(error, UnicodeEncodeError):
        raise error
    text = error.object[error.start : error.end]
    return "".join(NEAREST.get(character, "#" if "█" <= character <= "▏" else "?") for character in text), error.end


def never_fail() -> None:
    """Have stdout and stderr write the nearest they can, whatever the locale."""
    codecs.register_error(_HANDLER, nearest)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper) and not stream.encoding.lower().startswith("utf"):
            stream.reconfigure(errors=_HANDLER)
