"""Commands and files shown in the README and in docs/, taken out of the text."""

import re
import shlex
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
PAGES = (ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md")))
_FENCE = re.compile(r"^```([^\n]*)\n(.*?)^```[ ]*$", re.MULTILINE | re.DOTALL)
_SPAN = re.compile(r"`(edgereply [^`]+)`")
_COMMAND = re.compile(r"^(?:\$ )?(?:\.venv/bin/)?edgereply ")


@dataclass(frozen=True, slots=True)
class Block:
    """A fenced block: what it is, whether it is run as it stands, its text."""

    language: str
    run: bool
    text: str

    def commands(self) -> list[list[str]]:
        """Arguments of the edgereply commands in it, in order."""
        shown = self.language == "sh" or not self.language
        return [arguments(line) for line in self.text.splitlines() if shown and _COMMAND.match(line)]


def blocks(page: Path) -> list[Block]:
    """All fenced blocks of a page."""
    found = []
    for label, text in _FENCE.findall(page.read_text(encoding="utf-8")):
        language, *rest = label.split() or [""]
        found.append(Block(language, rest == ["run"], text))
    return found


def spans(page: Path) -> list[list[str]]:
    """Arguments of the edgereply commands within sentences."""
    prose = _FENCE.sub("", page.read_text(encoding="utf-8"))
    return [arguments(" ".join(line.split())) for line in _SPAN.findall(prose)]


def arguments(line: str) -> list[str]:
    """What follows the program's name."""
    return shlex.split(_COMMAND.sub("", line), comments=True)
