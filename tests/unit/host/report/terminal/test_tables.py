import io

import pytest
from rich.console import Console

from edgereply.evaluation.run_view import RunView
from edgereply.report.terminal.console import stderr_console
from edgereply.report.terminal.tables import SummaryTable, show_summary
from tests.unit.host.report.runs import HOSTILE, run, shuffled, usual


def printed(*views: RunView, width: int = 100, encoding: str = "utf-8") -> str:
    file = io.TextIOWrapper(io.BytesIO(), encoding=encoding, newline="\n", errors="replace", write_through=True)
    console = Console(file=file, width=width, force_terminal=False)
    console.print(SummaryTable(views))
    show_summary(views, console)
    assert isinstance(file.buffer, io.BytesIO)
    return file.buffer.getvalue().decode(encoding)


def test_one_run_shows_figures_beside_their_intervals() -> None:
    text = printed(run(shuffled(100)))
    row = next(line for line in text.splitlines() if line.startswith("  median"))
    assert row.rstrip().split("  ")[-1].strip() == "40.0 µs to 74.0 µs"
    assert "needs 3,688 answers" in text
    assert text.count("VIRTUAL · source and board") >= 3


def test_several_runs_stand_side_by_side_with_their_grades() -> None:
    text = printed(
        usual(), usual(seed=2, title="Second", virtual=False, evidence="loop-back"), run([5000] * 3), width=160
    )
    head = next(line for line in text.splitlines() if "A: Reject gate" in line)
    assert "B: Second" in head
    grades = next(line for line in text.splitlines() if "VIRTUAL" in line)
    assert (grades.count("VIRTUAL"), grades.count("source only")) == (2, 1)
    assert "[96." in text


def test_a_run_that_stopped_early_says_so() -> None:
    assert "A: the run is incomplete: unplugged" in printed(run([1000], status="incomplete: unplugged"))
    assert "the run is" not in printed(run([1000]))


@pytest.mark.parametrize("width", [30, 60, 200])
def test_nothing_is_cut_off_in_a_narrow_terminal(width: int) -> None:
    text = printed(usual(), usual(seed=2), width=width)
    assert "…" not in text
    assert max(map(len, text.splitlines())) <= width


def test_names_are_text() -> None:
    text = printed(usual(title="[bold]" + HOSTILE), usual(evidence=HOSTILE))
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert "[bold]" in text


def test_terminals_without_utf8_are_served() -> None:
    text = printed(usual(), encoding="latin-1")
    assert "###" in text
    assert "?" * 3 not in text


def test_it_goes_to_stderr(capsys: pytest.CaptureFixture[str]) -> None:
    show_summary([run([1000])])
    captured = capsys.readouterr()
    assert captured.out == ""
    assert "Reaction time" in captured.err
    assert stderr_console().stderr
