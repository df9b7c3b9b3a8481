"""Several measurements at the same time on one terminal: one bar over all of them, then some rows each."""

from __future__ import annotations

import threading
from collections.abc import Callable
from types import TracebackType
from typing import Final

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.progress_bar import ProgressBar
from rich.table import Table

from edgereply.report.terminal.console import stderr_console
from edgereply.wording.progress import SeriesProgress

Screen = Callable[[int], RenderableType]
# Of a series the lines of the last blocks stay in sight above what is drawn.
BLOCKS_IN_SIGHT: Final = 6
# The bar, and a row below everything where the cursor stands.
_AROUND: Final = 2


def bar_with(words: str, part: float, width: int) -> RenderableType:
    """A bar that is filled in part, with words behind it.

    Args:
        words: how far it is.
        part: 0 to 1.
        width: columns for both.
    """
    row = Table.grid(padding=(0, 1))
    row.add_row(ProgressBar(total=1.0, completed=part, width=max(10, width - len(words) - 3)), words)
    return row


class Stage:
    """Draws the screens of several threads below each other; a context manager, safe to use from all of them.

    On anything but a terminal it draws nothing: each measurement then writes its own lines.
    """

    def __init__(self, whole: Callable[[], SeriesProgress], console: Console | None = None) -> None:
        """
        Args:
            whole: how far all measurements together are; shown as one bar above them.
            console: where to show it; stderr where None.
        """
        self._whole = whole
        self.console = console or stderr_console()
        self._lock = threading.Lock()
        self._screens: list[Screen] = []
        self._live: Live | None = None

    def __enter__(self) -> Stage:
        if self.console.is_terminal:
            self._live = Live(
                console=self.console, auto_refresh=False, transient=True, redirect_stdout=False, redirect_stderr=True
            )
            self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._live is not None:
            self._live.stop()
            self._live = None

    def enter(self, screen: Screen) -> None:
        """Show a measurement from now on, below the others."""
        with self._lock:
            self._screens.append(screen)

    def leave(self, screen: Screen) -> None:
        """Show it no longer."""
        with self._lock:
            self._screens.remove(screen)

    def draw(self) -> None:
        """Draw all of them."""
        with self._lock:
            if self._live is not None:
                whole = self._whole()
                rows = (self.console.height - BLOCKS_IN_SIGHT - _AROUND) // max(1, len(self._screens))
                screens = (screen(rows) for screen in self._screens)
                self._live.update(
                    Group(bar_with(whole.words(), whole.share, self.console.width), *screens), refresh=True
                )
