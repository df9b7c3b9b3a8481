"""Sentences on stdout: on a terminal broken between words, elsewhere a line each."""

import re
import shutil
import sys
import textwrap

from edgereply.wording.screen import one_line, put

_NO_BREAK = "\u00a0"
# A number stays with its unit, and the ends of an interval with what stands between them.
_TOGETHER = re.compile(r"(?<=\d) (?=(?:[nµm]?s|%|ppm|[mk]?[VW]|kΩ|MiB)(?![\w]))|(?<=[≥±]) (?=\d)")
_LEAST = 30


def tell(line: str = "") -> None:
    """Print one line of a result, folded where stdout is a terminal."""
    line = one_line(line)
    if sys.stdout.isatty():
        line = fold(line, shutil.get_terminal_size().columns)
    put(line)


def fold(line: str, width: int) -> str:
    """A line broken between words; what follows is indented as the first line is, and a little more under a mark.

    Args:
        line: without line breaks. What has no space is never broken.
        width: columns; narrower ones than 30 count as 30.
    """
    width = max(width, _LEAST)
    if len(line) <= width:
        return line
    lead = re.match(r" *(?:[-!|·] )?", line)
    indent = " " * (lead.end() if lead else 0)
    folded = textwrap.wrap(
        _TOGETHER.sub(_NO_BREAK, line), width, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    )
    return "\n".join(folded).replace(_NO_BREAK, " ")
