"""Questions on a terminal: numbered choices, a default that Enter takes, and wrong answers told and asked again."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable, Sequence
from typing import TypeVar

from edgereply.errors import HostError, SettingError
from edgereply.wording.folding import fold
from edgereply.wording.screen import put

Answer = TypeVar("Answer")
# Rows of a list that leave room for the question on a terminal of 24.
MOST_ROWS = 14


class Questions:
    """Asks on stderr and reads stdin, so that stdout stays for what the command makes."""

    @staticmethod
    def possible() -> bool:
        """Whether somebody is there to answer."""
        return sys.stdin.isatty() and sys.stderr.isatty()

    def show(self, line: str = "") -> None:
        """Lines to read before the question."""
        for part in line.split("\n"):
            put(fold(part, shutil.get_terminal_size().columns), error=True)

    def rows(self, rows: Sequence[str], more: str) -> None:
        """A list, cut where the terminal would scroll it away.

        Args:
            rows: to show.
            more: how the rest can be seen.
        """
        for row in rows[:MOST_ROWS]:
            self.show(f"  {row}".rstrip())
        if len(rows) > MOST_ROWS:
            self.show(f"  … and {len(rows) - MOST_ROWS} more: {more}")

    def line(self, question: str, default: str = "") -> str:
        """One line of text; Enter takes the default.

        Raises:
            SettingError: the input has ended.
        """
        shown = f"{question} [{default}]: " if default else f"{question}: "
        put(shown, error=True, end="")
        answer = sys.stdin.readline()
        if not answer:
            put(error=True)
            raise SettingError(
                "the answers ended before the last question", remedy="start again; nothing has been written"
            )
        return answer.strip() or default

    def value(self, question: str, read: Callable[[str], Answer], default: str = "") -> Answer:
        """Ask until the answer can be used.

        Args:
            question: to ask.
            read: makes the value of the text; what it raises (`HostError`, `ValueError`) is told, and asked again.
            default: what Enter stands for.
        """
        while True:
            text = self.line(question, default)
            try:
                return read(text)
            except HostError as error:
                self.show(f"  ! {error.message}{f'; {error.remedy}' if error.remedy else ''}")
            except ValueError as error:
                self.show(f"  ! {error}")

    def choice(self, question: str, options: Sequence[tuple[str, str]], default: int = 1) -> str:
        """One of some options, by its number or name.

        Args:
            question: to ask.
            options: name and words of each.
            default: number of the one that Enter takes, from 1.

        Returns:
            The name.
        """
        for number, (_, words) in enumerate(options, 1):
            self.show(f"  {number}  {words}")

        def read(text: str) -> str:
            if text.isdigit() and 1 <= int(text) <= len(options):
                return options[int(text) - 1][0]
            if text in [name for name, _ in options]:
                return text
            raise ValueError(f"give a number from 1 to {len(options)}")

        return self.value(question, read, str(default))

    def agree(self, question: str, default: bool) -> bool:
        """Yes or no."""

        def read(text: str) -> bool:
            word = text.lower()
            if word not in ("y", "yes", "n", "no"):
                raise ValueError("answer y or n")
            return word.startswith("y")

        return self.value(f"{question} (y/n)", read, "y" if default else "n")
