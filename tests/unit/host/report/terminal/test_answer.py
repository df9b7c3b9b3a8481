"""What a command ends with: at most twelve lines, and nothing that matters is among those that go."""

from __future__ import annotations

import io

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console
from rich.text import Text

from edgereply.evaluation.headline import Headline, headline
from edgereply.report.terminal.answer import (
    MOST_LINES,
    Part,
    Screen,
    chosen,
    fitting,
    headline_parts,
    table_parts,
)
from edgereply.report.terminal.span import axis_of, bar, labelled_bar, placed
from tests.unit.host.report.runs import HOSTILE, run, usual

MS = 1_000_000


def one(name: str = "gate", **changes: object) -> Headline:
    values: dict[str, object] = {
        "name": name, "grade": "virtual · joined", "outcome": "fail", "answer": "FAIL: the deadline is not kept.",
        "best_ns": 6_190, "typical_ns": 42_800, "p99_ns": 22_800_000, "worst_ns": 32_100_000, "deadline_ns": 2 * MS,
        "stimuli": 6_000, "late": 373, "missed": 4,
    }  # fmt: skip
    return Headline(**(values | changes))  # type: ignore[arg-type]


def screen(width: int = 80, terminal: bool = True, plain: bool = False) -> Screen:
    file = io.TextIOWrapper(io.BytesIO(), encoding="ascii" if plain else "utf-8", errors="replace")
    return Screen(Console(file=file, width=width, force_terminal=terminal, color_system=None, highlight=False))


def shown(place: Screen, parts: list[Part], below: int = 0) -> list[str]:
    place.show(parts, below)
    file = place.console.file
    assert isinstance(file, io.TextIOWrapper)
    file.flush()
    assert isinstance(file.buffer, io.BytesIO)
    return file.buffer.getvalue().decode().splitlines()


def rows(count: int, rank: int = 0, counted: bool = True) -> Part:
    return Part([Text(f"{rank}")] * count, rank, counted)


@given(st.lists(st.tuples(st.integers(1, 4), st.integers(0, 5), st.booleans()), max_size=12), st.integers(3, 14))
def test_what_must_stay_stays_and_the_rest_fits(made: list[tuple[int, int, bool]], most: int) -> None:
    parts = [rows(*item) for item in made]
    kept = fitting(parts, most)
    assert [part for part in kept if part.rank == 0 and "more" not in part.rows[0].plain] == [
        part for part in parts if part.rank == 0
    ]
    needed = sum(len(part.rows) for part in parts if part.rank == 0)
    total = sum(len(part.rows) for part in kept)
    assert total <= max(most, needed + 1)
    gone = sum(len(part.rows) for part in parts if part.counted) - sum(
        len(part.rows) for part in kept if part.counted and "more" not in part.rows[0].plain
    )
    told = [part.rows[0].plain for part in kept if "more" in part.rows[0].plain]
    assert told == ([f"({gone} more {'line' if gone == 1 else 'lines'}: --details)"] if gone else [])


def test_of_many_sentences_the_first_stay() -> None:
    kept = fitting([rows(2), *(rows(1, 10 + place) for place in range(20))], 6)
    assert [part.rows[0].plain for part in kept] == ["0", "10", "11", "12", "(17 more lines: --details)"]


@pytest.mark.parametrize("width", [80, 120])
@pytest.mark.parametrize("terminal", [True, False])
def test_a_run_with_everything_wrong_takes_few_lines_and_hides_none_of_it(width: int, terminal: bool) -> None:
    bad = one(coalesced=5, unmatched=615, spurious=343, cut="The run is incomplete: the link to the board broke off.")
    place = screen(width, terminal)
    parts = headline_parts(bad, place)
    lines = shown(place, parts, below=4)
    assert sum(len(part.rows) for part in fitting(parts, MOST_LINES - 4)) <= MOST_LINES - 3
    told = " ".join(" ".join(lines).split())
    for words in (
        "FAIL: the deadline is not kept.", "373 answered late", "4 not answered", "5 answered only together",
        "615 not matched and NOT in the times", "343 pulses answered no stimulus", "the link to the board broke off",
        "VIRTUAL · measured by: source and board", "6.19 µs", "42.8 µs", "22.8 ms", "32.1 ms", "2 ms",
    ):  # fmt: skip
        assert words in told, words
    assert all(len(line) <= width for line in lines) or not terminal
    assert lines[0] == "FAIL: the deadline is not kept."


def test_a_clean_run_has_no_warning_mark() -> None:
    place = screen()
    good = one(outcome="pass", answer="PASS.", late=0, missed=0, p99_ns=None, worst_ns=MS)
    assert good.clean_run
    lines = shown(place, headline_parts(good, place))
    assert not [line for line in lines if line.startswith("!")]
    assert not one().clean_run


def test_the_table_keeps_the_quickest_and_the_slowest_and_counts_the_others() -> None:
    many = [one(f"rate {n}", typical_ns=1000 * (n + 1) if n % 2 else 10**9 - n, worst_ns=10**10) for n in range(16)]
    picked, left_out = chosen(many, 5)
    assert left_out == 11
    order = sorted(many, key=lambda item: item.typical_ns or 0)
    assert {item.name for item in picked} == {item.name for item in (*order[:3], *order[-2:])}
    assert [item for item in many if item in picked] == picked, "in the order given"
    place = screen()
    lines = shown(place, table_parts(many, place, 8))
    assert len(lines) <= 8
    assert any("more conditions" in line for line in lines)


@pytest.mark.parametrize("width", [80, 100, 120, 200])
def test_a_table_fits_its_screen_and_says_virtual(width: int) -> None:
    place = screen(width)
    sides = [one("A: " + "very/long/" * 12 + "block", unmatched=7), one("B: spin", outcome="pass", late=0, missed=0)]
    lines = shown(place, table_parts(sides, place, 9))
    assert all(len(line) <= width for line in lines)
    assert lines[0].startswith("VIRTUAL")
    assert "NOT KEPT" in lines[1]
    assert "block" in lines[1]
    assert "kept" in lines[2]
    assert any("7 of 6,000 (A) stimuli could not be matched and are NOT in the times" in line for line in lines)
    mixed = [one("A"), one("B", grade="joined")]
    lines = shown(place := screen(width), table_parts(mixed, place, 9))
    assert "VIRTUAL" in lines[1]
    assert "VIRTUAL" not in lines[2]


@given(
    st.lists(st.tuples(st.integers(0, 76), st.integers(1, 14)), min_size=1, max_size=5), st.integers(30, 80)
)  # fmt: skip
def test_labels_never_run_into_each_other(labels: list[tuple[int, int]], width: int) -> None:
    labels = sorted((min(column, width - 1), length) for column, length in labels)
    starts = placed(labels, width)
    if starts is None:
        assert sum(length + 2 for _, length in labels) - 2 > width
        return
    assert starts[0] >= 0
    assert starts[-1] + labels[-1][1] <= width
    for (start, (_, length)), after in zip(zip(starts, labels, strict=True), starts[1:], strict=False):
        assert start + length + 2 <= after


def test_the_bar_is_on_a_logarithmic_axis_with_its_marks_in_order() -> None:
    item = one(best_ns=1_000, typical_ns=10_000, p99_ns=100_000, worst_ns=10_000_000, deadline_ns=1_000_000)
    axis = axis_of([item], 41)
    assert axis is not None
    assert bar(item, axis, plain=False).plain == "├─────────●━━━━━━━━━━─────────┃─────────┤"
    assert bar(item, axis, plain=True).plain == "|---------O==========---------!---------|"
    [red] = [span for span in bar(item, axis, plain=False).spans if str(span.style) == "bold red"]
    assert (red.start, red.end) == (31, 41)


def test_without_an_answer_or_room_there_is_no_bar_and_the_times_are_a_line() -> None:
    none = one(best_ns=None, typical_ns=None, p99_ns=None, worst_ns=None)
    assert labelled_bar(none, 79, plain=False) == []
    assert labelled_bar(one(), 30, plain=False) == []
    place = screen(34)
    assert any("best 6.19 µs" in line for line in shown(place, headline_parts(one(), place)))


def test_the_bar_of_answers_that_hardly_differ_is_short() -> None:
    item = one(best_ns=20_000, typical_ns=20_100, p99_ns=20_200, worst_ns=20_300, deadline_ns=None)
    axis = axis_of([item], 60)
    assert axis is not None
    assert len(bar(item, axis, plain=False).plain.strip()) <= 3


def test_the_headline_of_a_run_has_the_numbers_of_numpy() -> None:
    view = usual(5000)
    found = headline(view)
    answers = view.answers()
    assert (found.best_ns, found.worst_ns) == (int(answers.min()), int(answers.max()))
    assert found.typical_ns == int(np.quantile(answers, 0.5, method="inverted_cdf"))
    assert found.late == int((answers > 2 * MS).sum()) == 5
    assert found.missed == 10
    assert found.answer == view.judgement[0]
    assert found.outcome == "fail"


def test_without_a_deadline_or_a_verdict_the_answer_is_a_count() -> None:
    assert headline(run([100, 200], deadline_ns=None)).answer == "2 of 2 stimuli were answered; no deadline was set."
    assert headline(run([100, 3 * MS])).answer == "1 of 2 stimuli were answered within the deadline of 2 ms."
    assert headline(run([], deadline_ns=None)).answer == "Nothing was measured."


def test_a_slowest_answer_just_past_the_deadline_does_not_read_like_it() -> None:
    times = dict(one(worst_ns=2_000_400, deadline_ns=2 * MS).times())
    assert times["worst"] != "2.00 ms"


def test_a_hostile_name_cannot_move_the_cursor() -> None:
    place = screen(120)
    bad = [one(f"[red]\x1b[2J\x07{HOSTILE}", cut="\x1b[2J"), one("b")]
    for lines in (shown(place, table_parts(bad, place, 9)), shown(place := screen(), headline_parts(bad[0], place))):
        assert not [line for line in lines if "\x1b" in line or "\x07" in line]
