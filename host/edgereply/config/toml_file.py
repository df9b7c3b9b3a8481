"""TOML files that people write: read with limits, so that none takes long, whoever wrote it."""

import tomllib
from pathlib import Path
from typing import Any

from edgereply.errors import SettingError

MOST_BYTES = 64 << 10
# The parser's time grows with the square of the parts of a dotted key, and a key is on one line.
LONGEST_LINE = 1000


def read_toml(path: Path, what: str, missing: str) -> dict[str, Any]:
    """Contents of a file.

    Args:
        what: for messages, such as `bench file`.
        missing: what to do where it cannot be read.

    Raises:
        SettingError: unreadable, too large, or not TOML (with line and column).
    """
    try:
        size = path.stat().st_size
        text = path.read_text(encoding="utf-8") if size <= MOST_BYTES else ""
    except OSError as error:
        raise SettingError(f"the {what} cannot be read: {error.strerror}", where=str(path), remedy=missing) from error
    except ValueError as error:
        raise SettingError(f"the {what} is not TOML: {error}", where=str(path), remedy="save it as UTF-8") from error
    if size > MOST_BYTES:
        raise SettingError(
            f"the {what} is larger than {MOST_BYTES >> 10} KiB", where=str(path), remedy=f"is it a {what}?"
        )
    if max(map(len, text.split("\n"))) > LONGEST_LINE:
        raise SettingError(
            f"the {what} has a line of more than {LONGEST_LINE} characters", where=str(path), remedy="break it up"
        )
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise SettingError(f"the {what} is not TOML: {error}", where=str(path), remedy="correct it there") from error
