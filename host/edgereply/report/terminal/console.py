"""The only consoles there are: rich's, with the gate behind them."""

from collections.abc import Iterable
from typing import Any

from rich.console import Console, RenderableType
from rich.segment import Segment

from edgereply.wording.screen import escaped


class GatedConsole(Console):
    """A console that shows text as text: no markup, no emoji codes, and nothing in it acts on the terminal.

    What rich itself adds (colours, moving the cursor) comes after, as styles and control segments.
    """

    def __init__(self, stderr: bool = False, **more: Any) -> None:
        super().__init__(stderr=stderr, highlight=False, markup=False, emoji=False, **more)

    def render(self, renderable: RenderableType, options: Any = None) -> Iterable[Segment]:
        """What to print, piece by piece; every piece of text passes the gate."""
        for segment in super().render(renderable, options):
            yield segment if segment.control else segment._replace(text=escaped(segment.text))


def stdout_console() -> GatedConsole:
    """A console on stdout: for what a person pipes into a file or a pager."""
    return GatedConsole()


def stderr_console() -> GatedConsole:
    """A console on stderr: stdout is kept for `--json`."""
    return GatedConsole(stderr=True)


def is_plain(console: Console) -> bool:
    """Whether the console shows ASCII only."""
    return not console.encoding.lower().startswith("utf")
