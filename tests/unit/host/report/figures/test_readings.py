import re
from dataclasses import replace

import numpy as np
import pytest

from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.report.figures import quantile_readings, readings
from edgereply.wording.numbers import share
from tests.unit.host.report.runs import run, usual


def test_tables_of_figures_add_up() -> None:
    view = usual()
    spread = readings.distribution([view])
    assert sum(int(row[1].replace(",", "")) for row in spread.rows) == int(view.answered().sum())
    parts = readings.over_time([view]).rows
    assert len(parts) == 10
    assert sum(int(row[3]) for row in parts) == int(view.late().sum()) == 5
    assert sum(int(row[4]) for row in parts) == int((~view.answered()).sum()) == 10
    by_time = {row[0]: row[1] for row in readings.tail([view]).rows}
    assert by_time["2.000 ms"] == "15 of 5,000 (0.3 %)"


def test_segments_and_pulses_in_words() -> None:
    view = usual()
    assert [row[0] for row in quantile_readings.segments([view]).rows] == ["Wake-up", "Interrupt entry and wires"]
    assert [row[0] for row in quantile_readings.segments([view, view]).rows][:2] == ["Wake-up A", "Wake-up B"]
    no_fall = usual(pulse_width_ns=np.full(5000, NO_STAMP))
    assert "4,990 of A have no fall" in readings.persistence([no_fall]).sentence
    # 50 µs pulses, half of which began within 97 µs.
    at_100 = [row[1] for row in readings.persistence([view]).rows if row[0] == "100 µs"]
    rise = view.reaction_ns[view.answered()]
    assert at_100 == [share(int(((rise < 100_000) & (rise >= 50_000)).sum()), 5000)]


@pytest.mark.parametrize("name", ["distribution", "tail", "over_time", "persistence", "segments", "quantiles"])
def test_tables_are_rectangular_and_say_how_they_were_measured(name: str) -> None:
    views = [usual(), usual(seed=2, virtual=False, evidence="loop-back")]
    reading = getattr(quantile_readings if name in ("segments", "quantiles") else readings, name)(views)
    assert reading.rows
    assert {len(row) for row in reading.rows} == {len(reading.header)}
    if name in ("distribution", "tail", "persistence"):
        assert reading.header[1:] == ("A (source and board (virtual))", "B (source only)")


def test_of_many_runs_the_extremes_are_told() -> None:
    quick, slow = run([1_000_000] * 99 + [500_000]), run([1_000_000] * 98 + [NO_STAMP, 3_000_000])
    views = [run([1_000_000] * 100)] * 5 + [quick, slow]
    assert readings.distribution(views).sentence == "Answers took from 500 µs (F) to 3.00 ms (G)."
    told = readings.tail(views).sentence
    assert told.startswith("After their deadlines from 0 of 100 of A to 2 of 100 (2 %) of G are not answered.")
    assert readings.distribution(views[1:]).sentence.count(";") == 5, "six are told one by one"


def test_where_answers_are_most_often_is_where_the_drawn_curve_is_highest() -> None:
    # A narrow peak of 300 at 20 µs; the broad hump around 60 µs holds more in a coarse bin, less in a drawn one.
    hump = np.linspace(40_000, 90_000, 1_000).astype(np.int64)
    view = run(np.concatenate([np.full(300, 20_000), hump, np.arange(1, 21) * 100_000]))
    found = re.search(r"Most often between ([\d.]+) µs and ([\d.]+) µs", readings.distribution([view]).sentence)
    assert found is not None
    low, high = (float(end) for end in found.groups())
    assert low <= 20.0 <= high
    assert high - low < 2.0
    busiest = max(readings.distribution([view]).rows, key=lambda row: int(row[1].replace(",", "")))
    assert not busiest[0].startswith(("1", "2")), "the table's coarse bins would have said otherwise"


def test_stimuli_whose_answer_cannot_be_told_are_not_passed_off_as_unanswered() -> None:
    view = run([50_000] * 97 + [NO_STAMP] * 3, deadline_ns=2_000_000)
    unclear = replace(view, counts={**view.counts, "ambiguous": 3})
    assert "3 of 100 (3 %) stimuli are not answered. " in readings.tail([view]).sentence
    assert "stimuli are not answered (or cannot be told: 3 not matched). " in readings.tail([unclear]).sentence
