"""Several measurements at the same time on one terminal, a few lines each."""

from __future__ import annotations

import threading
from collections.abc import Callable
from types import TracebackType

from rich.console import Console, Group, RenderableType
from rich.live import Live

from edgereply.report.terminal.console import stderr_console

Screen = Callable[[], RenderableType]


class Stage:
    """Draws the screens of several threads below each other; a context manager, safe to use from all of them.

    On anything but a terminal it draws nothing: each measurement then writes its own lines.
    """

    def __init__(self, console: Console | None = None) -> None:
        """
        Args:
            console: where to show it; stderr where None.
        """
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
                self._live.update(Group(*(screen() for screen in self._screens)), refresh=True)
