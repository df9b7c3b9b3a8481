"""Sentences, on stdout and stderr: on a terminal broken between words, elsewhere a line each."""

import re
import shutil
import sys
import textwrap

from edgereply.wording.screen import one_line, put

_NO_BREAK = "\u00a0"
# A number stays with its unit, and the ends of an interval with what stands between them.
_TOGETHER = re.compile(r"(?<=\d) (?=(?:[nµm]?s|%|ppm|[mk]?[VW]|kΩ|MiB)(?![\w]))|(?<=[≥±]) (?=\d)")
_LEAST = 30
_LONGEST = 4000
# Lines with a command to be copied are left to the terminal, which breaks them without a line feed.
_COPIED = re.compile(r"\b(?:edgereply|sudo|apt|apt-get|pip|chmod|chown|usermod|systemctl|mount|echo) ")


def tell(line: str = "") -> None:
    """Print one line of a result, folded where stdout is a terminal."""
    line = one_line(line)
    if sys.stdout.isatty():
        line = fold(line, shutil.get_terminal_size().columns)
    put(line)


def explain(message: str, where: str = "", remedy: str = "") -> None:
    """An error: what, where, what to do, a line each on stderr."""
    for label, words in (("edgereply: ", message), ("  where: ", where), ("  what to do: ", remedy)):
        if words:
            words = one_line(words)
            put(remark(label + (words if len(words) <= _LONGEST else words[:_LONGEST] + " …")), error=True)


def remark(line: str, width: int | None = None) -> str:
    """A line for stderr, folded where that is a terminal, but for what is to be copied.

    Args:
        line: without line breaks.
        width: columns to fold it to anyway.
    """
    width = width or (shutil.get_terminal_size().columns if sys.stderr.isatty() else None)
    return line if width is None or _COPIED.search(line) else fold(line, width)


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
