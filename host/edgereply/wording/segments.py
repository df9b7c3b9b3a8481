"""The parts of a reaction time as people read them; the names in files and in JSON are their own."""

from __future__ import annotations

from typing import Final

# In the order in which they happen.
PARTS: Final = {
    "outside": "interrupt entry and wires",
    "wake_delay": "wake-up",
    "set_time": "drive the pin",
}
_WORDS: Final = PARTS | {"hold": "kept high", "inside": "on the board"}


def segment_words(name: str) -> str:
    """A segment in words, its own name behind them.

    Args:
        name: such as "wake_delay".

    Returns:
        Such as "wake-up (wake delay)"; a name that is not known stays alone.
    """
    own = name.replace("_", " ")
    return f"{_WORDS[name]} ({own})" if name in _WORDS else own
