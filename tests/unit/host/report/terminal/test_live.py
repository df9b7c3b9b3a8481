import io

import numpy as np
import pytest
from rich.console import Console

from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.report.terminal.live import LiveView
from edgereply.report.terminal.stage import Stage
from edgereply.wording.numbers import time_left
from edgereply.wording.progress import SeriesProgress
from tests.unit.host.report.runs import HOSTILE


def plain_console() -> Console:
    return Console(file=io.StringIO(), force_terminal=False, width=200)


def shown(console: Console) -> str:
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue()


def feed(console: Console, seconds: int, title: str = "Reject gate", expected: int | None = 1000) -> None:
    with LiveView(title, "loop-back", True, deadline_ns=2_000_000, console=console) as view:
        for second in range(1, seconds + 1):
            chunk = np.array([100_000, 3_000_000 if second == 4 else 90_000, NO_STAMP])
            view.update(second, 50 * second, expected, None, second, chunk)


def test_without_a_terminal_there_is_a_line_every_few_seconds() -> None:
    console = plain_console()
    feed(console, 12)
    lines = shown(console).splitlines()
    assert lines[0] == "Reject gate (VIRTUAL · source only): started"
    assert [line.split(": ")[1].split(",")[0] for line in lines[1:]] == ["1.0 s", "6.0 s", "11.0 s", "12.0 s"]
    assert lines[-1] == (
        "Reject gate (VIRTUAL · source only): 12.0 s, 600 stimuli, 60 % of 1,000, 8 s left, 50 /s, slowest 3.00 ms, "
        "12 missed, 1 late"
    )
    assert "\x1b" not in shown(console)


def test_a_line_already_shown_is_not_repeated() -> None:
    console = plain_console()
    feed(console, 6)
    assert len(shown(console).splitlines()) == 3


def test_without_a_plan_there_is_no_time_left() -> None:
    console = plain_console()
    feed(console, 1, expected=None)
    assert "no end planned" in shown(console)
    assert " left" not in shown(console)


def test_a_terminal_gets_bar_distribution_and_misses_and_its_cursor_back() -> None:
    console = Console(file=io.StringIO(), force_terminal=True, width=100, color_system=None)
    feed(console, 12)
    screen = shown(console)
    for part in (
        "VIRTUAL · source only",
        "60 % of 1,000, 8 s left",
        "slowest 3.00 ms",
        "12 missed, 1 late",
        "█",
        "deadline",
    ):
        assert part in screen
    # A stimulus without an answer has no place in the distribution: 23 answers, the most in one column 12.
    last = screen.split("12 missed, 1 late")[-1]
    assert " 12 " in last
    assert " ns" not in last
    assert screen.count("\x1b[?25l") == screen.count("\x1b[?25h") == 1
    assert screen.rstrip().endswith("\x1b[2K")


def test_the_cursor_comes_back_after_an_error() -> None:
    console = Console(file=io.StringIO(), force_terminal=True, width=100)

    def interrupted() -> None:
        with LiveView("t", "inside", False, console=console) as view:
            view.update(1.0, 5, 10, 5.0, 0, np.array([5]))
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert shown(console).count("\x1b[?25h") == 1


def test_redrawing_waits_for_time_to_pass() -> None:
    console = Console(file=io.StringIO(), force_terminal=True, width=100)
    with LiveView("t", "inside", False, console=console) as view:
        for step in range(1, 1001):
            view.update(step / 1000, step, 1000, None, 0, np.array([1000]))
        assert shown(console).count("stimuli") <= 6


@pytest.mark.parametrize("terminal", [True, False])
def test_a_hostile_title_cannot_move_the_cursor(terminal: bool) -> None:
    console = Console(file=io.StringIO(), force_terminal=terminal, width=200, color_system=None)
    feed(console, 1, title="[red]\x1b[2J\x07" + HOSTILE)
    assert "\x1b[2J" not in shown(console)
    assert "\x07" not in shown(console)
    assert "[red]�[2J�</script>" in shown(console)


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0.0, "0 s"), (0.2, "1 s"), (59.0, "59 s"), (59.1, "1 min 00 s"), (245.0, "4 min 05 s"), (3720.0, "1 h 02 min")],
)
def test_time_left(seconds: float, words: str) -> None:
    assert time_left(seconds) == words


def test_a_block_of_a_series_says_how_far_the_whole_is() -> None:
    console = plain_console()
    whole = SeriesProgress(2, 9, 0.1, 245.0)
    with LiveView("block", "loop-back", True, console=console, whole=lambda: whole) as view:
        view.update(1, 50, 100, None, 0, np.array([100_000]))
    assert shown(console).splitlines()[1].endswith(", block 2 of 9, 4 min 05 s left in all")


def test_measurements_at_the_same_time_share_a_terminal() -> None:
    console = Console(file=io.StringIO(), force_terminal=True, width=100, height=40, color_system=None)
    with Stage(lambda: SeriesProgress(1, 3, 0.25, 12.0, side_by_side=True), console) as stage:
        views = [
            LiveView(name, "measuring", True, None, stage=stage, whole=lambda: SeriesProgress(1, 3, 0.0))
            for name in ("gate", "crane")
        ]
        with views[0], views[1]:
            for number, view in enumerate(views, 1):
                view.update(1.0, 100 * number, 1000, 100.0, 0, np.array([90_000]))
        together = shown(console)
    assert "gate VIRTUAL · measuring  10 % of 1,000" in together
    assert "1 of 3 blocks done, 12 s left in all" in together
    after = together[together.rindex("gate VIRTUAL") :]
    assert "crane VIRTUAL" in after, "one below the other in one screen"
    assert "200 stimuli" in after
    last = together[together.rindex("1 of 3 blocks done") :]
    assert last.count("blocks done") == 1, "one bar over all of them"
    assert last.count("█") >= 2, "a picture each, where there is room"
    assert len(last.splitlines()) <= 40
    with Stage(lambda: SeriesProgress(1, 3, 0.25, 12.0, side_by_side=True), console) as stage:
        with LiveView("crane", "measuring", True, None, stage=stage):
            pass
        ended = len(shown(console))
        with LiveView("gate", "measuring", True, None, stage=stage) as view:
            view.update(1.0, 100, 1000, 100.0, 0, np.array([90_000]))
    assert "gate" in shown(console)[ended:]
    assert "crane" not in shown(console)[ended:], "what has ended is shown no longer"


def test_without_a_terminal_each_measurement_writes_its_own_lines() -> None:
    console = plain_console()
    with Stage(lambda: SeriesProgress(1, 3, 0.25, 12.0, side_by_side=True), console) as stage:
        for name in ("gate", "crane"):
            with LiveView(name, "measuring", True, None, stage=stage) as view:
                view.update(1.0, 100, 1000, 100.0, 0, np.array([90_000]))
    assert [line.split(" (")[0] for line in shown(console).splitlines()] == ["gate", "gate", "crane", "crane"]


def test_a_source_that_times_no_answers_counts_none_as_missed() -> None:
    console = plain_console()
    with LiveView("gate", "inside", False, deadline_ns=2_000_000, console=console) as view:
        view.update(1.0, 50, 100, None, None, np.empty(0, np.int64))
    assert shown(console).splitlines()[-1].endswith("50 /s, answers are timed by the board: shown at the end")
