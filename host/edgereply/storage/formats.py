"""Files of a newer format: refused before anything else of them is looked at, with the version that reads them."""

import json
import re

from edgereply.errors import DataError
from edgereply.version import __version__

_TOOL = re.compile(r"edgereply (\d+(?:\.\d+)*\w{0,10})")


def refuse_newer(text: bytes, newest: int, what: str, where: str) -> None:
    """Look at nothing but the version of a JSON file's format: a newer one may differ in everything else.

    Args:
        text: the file.
        newest: format that this program reads.
        what: what the file is, as in "the run".
        where: the file, for the message.

    Raises:
        DataError: it has a newer format; the remedy names the version that wrote it.
    """
    try:
        head = json.loads(text)
    except (ValueError, RecursionError):
        return
    if not isinstance(head, dict) or type(head.get("format")) is not int or head["format"] <= newest:
        return
    wrote = _TOOL.fullmatch(str(head.get("tool", "")))
    raise DataError(
        f"{what} has format {str(head['format'])[:20]}; edgereply {__version__} reads formats up to {newest}",
        where=where,
        remedy=f"update edgereply: version {wrote[1]} wrote it" if wrote else "update edgereply",
    )
