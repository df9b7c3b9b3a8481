"""A measurement while it runs: how far, how long still, and what the answers look like so far."""

from __future__ import annotations

from collections.abc import Callable
from types import TracebackType
from typing import Final

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.text import Text

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.presence import present
from edgereply.report.terminal.console import is_plain, stderr_console
from edgereply.report.terminal.live_picture import LivePicture
from edgereply.report.terminal.stage import BLOCKS_IN_SIGHT, Stage, bar_with
from edgereply.report.terminal.tables import stamp
from edgereply.wording.numbers import clean, duration, time_left
from edgereply.wording.progress import SeriesProgress

_REDRAW_S: Final = 0.25
_LINE_S: Final = 5.0
# Title, bar and facts above the picture, and a row below it where the cursor stands.
_AROUND: Final = 4
# So long after the first stimulus that no answer is news.
_QUIET_S: Final = 3.0
_LEAST_ROWS: Final = 4


class LiveView:
    """Shows a running measurement; on anything but a terminal, a line every few seconds.

    A context manager. It draws only inside `update`, from the caller's thread: no thread of its own competes with
    the measurement. Not thread-safe.
    """

    def __init__(
        self,
        title: str,
        evidence: str,
        virtual: bool,
        deadline_ns: int | None = None,
        console: Console | None = None,
        whole: Callable[[], SeriesProgress] | None = None,
        stage: Stage | None = None,
    ) -> None:
        """
        Args:
            title: what is measured, any text.
            evidence: grade of evidence.
            virtual: True where software wires or a virtual board take part.
            deadline_ns: latest useful answer, or None.
            console: where to show it; stderr where None.
            whole: says how far the series is that this measurement belongs to.
            stage: shared with measurements that run at the same time; its bar shows how far the whole is, and each has
                some rows.
        """
        self._whole = whole
        self._stage = stage
        self._console = stage.console if stage is not None else console or stderr_console()
        self._title = clean(title, 60)
        self._stamp = stamp(evidence, virtual)
        self._deadline_ns = deadline_ns
        self._seen = LivePicture(deadline_ns)
        self._live: Live | None = None
        self._shown_s = float("-inf")
        self._late = 0
        self._state = _State()
        self._line_shown = True

    def __enter__(self) -> LiveView:
        if self._console.is_terminal and self._stage is not None:
            self._stage.enter(self._staged)
        elif self._console.is_terminal:
            self._live = Live(
                console=self._console, auto_refresh=False, transient=True, redirect_stdout=False, redirect_stderr=True
            )
            self._live.start()
        else:
            self._plain(f"{self._title} ({self._stamp.plain}): started")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._console.is_terminal and self._stage is not None:
            self._stage.leave(self._staged)
        elif self._live is not None:
            self._live.stop()
            self._live = None
        elif not self._line_shown:
            self._plain(self._words())

    def update(
        self,
        elapsed_s: float,
        stimuli: int,
        expected: int | None,
        rate: float | None,
        missed: int | None,
        reaction_ns: Int64s,
    ) -> None:
        """Take in what happened since the last call; draw when it is time.

        Args:
            elapsed_s: seconds since the first stimulus.
            stimuli: stimuli so far.
            expected: stimuli planned, or None.
            rate: stimuli a second; None takes the mean so far.
            missed: stimuli without an answer so far; None where the source times no answers.
            reaction_ns: shape (n,), int64, the new reaction times; NO_STAMP entries are left out.
        """
        values = present(reaction_ns)
        self._seen.add(elapsed_s, values)
        if self._deadline_ns is not None:
            self._late += int((values > self._deadline_ns).sum())
        if rate is None and elapsed_s > 0:
            rate = stimuli / elapsed_s
        self._state = _State(elapsed_s, stimuli, expected, rate, missed)
        self._line_shown = False
        if elapsed_s - self._shown_s < (_REDRAW_S if self._console.is_terminal else _LINE_S):
            return
        self._shown_s = elapsed_s
        if self._console.is_terminal and self._stage is not None:
            self._stage.draw()
        elif self._live is None:
            self._plain(self._words())
            self._line_shown = True
        else:
            self._live.update(self._screen(), refresh=True)

    def _screen(self) -> RenderableType:
        rows = self._console.height - _AROUND - (BLOCKS_IN_SIGHT if self._whole is not None else 0)
        return Group(self._lines(), *self._picture(max(_LEAST_ROWS, rows)))

    def _staged(self, rows: int) -> RenderableType:
        """Title and facts, and the picture where there is room; the bar is the stage's."""
        head, line = self._head(), self._facts()
        head.append(f"  {self._state.progress_words()}")
        return Group(head, line, *(self._picture(rows - 2) if rows - 2 >= _LEAST_ROWS else []))

    def _picture(self, rows: int) -> list[Text]:
        histogram = max(1, (rows - 1) // 3)  # a row is the axis
        plain = is_plain(self._console)
        return self._seen.rows(self._console.width - 1, histogram, rows - 1 - histogram, plain)

    def _head(self) -> Text:
        return Text.assemble((self._title, "bold"), " ", self._stamp, no_wrap=True, overflow="ellipsis")

    def _lines(self) -> RenderableType:
        """Title, bar and facts; within a series the bar is that of the whole series."""
        state, console = self._state, self._console
        head = self._head()
        whole = None if self._whole is None else self._whole()
        words = state.progress_words() if whole is None else whole.words()
        if whole is None:
            part = min(1.0, state.stimuli / state.expected) if state.expected else 0.0
        else:
            part = whole.share
            head.append(f"  {state.progress_words()}")
        return Group(head, bar_with(words, part, console.width), self._facts())

    def _facts(self) -> Text:
        state = self._state
        facts = [Text(f"{state.stimuli:,} stimuli"), Text(state.rate_words()), Text(self._seen_words()), self._failed()]
        line = Text("   ").join(fact for fact in facts if fact)
        line.no_wrap, line.overflow = True, "ellipsis"
        return line

    def _seen_words(self) -> str:
        slowest = self._seen.slowest_ns
        if slowest is None:
            if self._state.missed is None:
                return "answers are timed by the board: shown at the end"
            # Which answer belongs to which stimulus is looked at once a second, a little behind.
            return "no answer yet" if self._state.elapsed_s > _QUIET_S else ""
        return f"slowest {duration(slowest)}"

    def _failed(self) -> Text:
        if self._state.missed is None:
            return Text("")
        words = f"{self._state.missed:,} missed"
        if self._deadline_ns is not None:
            words += f", {self._late:,} late"
        return Text(words, style="bold red" if self._state.missed or self._late else "")

    def _words(self) -> str:
        state = self._state
        parts = [f"{state.elapsed_s:.1f} s", f"{state.stimuli:,} stimuli", state.progress_words(), state.rate_words()]
        parts += [self._seen_words(), self._failed().plain, self._whole().words() if self._whole is not None else ""]
        return f"{self._title} ({self._stamp.plain}): " + ", ".join(part for part in parts if part)

    def _plain(self, words: str) -> None:
        self._console.print(Text(words), soft_wrap=True, highlight=False)


class _State:
    """Where the run stands."""

    def __init__(
        self,
        elapsed_s: float = 0.0,
        stimuli: int = 0,
        expected: int | None = None,
        rate: float | None = None,
        missed: int | None = 0,
    ) -> None:
        self.elapsed_s, self.stimuli, self.expected, self.rate, self.missed = elapsed_s, stimuli, expected, rate, missed

    def rate_words(self) -> str:
        return f"{self.rate:,.4g} /s" if self.rate else ""

    def progress_words(self) -> str:
        """How much of the plan is done and how long the rest takes."""
        if not self.expected:
            return "no end planned"
        done = f"{100 * min(self.stimuli, self.expected) // self.expected} % of {self.expected:,}"
        if self.stimuli >= self.expected:
            return f"{done}, last answers"
        return f"{done}, {time_left((self.expected - self.stimuli) / self.rate)} left" if self.rate else done
