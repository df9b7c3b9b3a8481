"""The mixed series, small: unlike boards in one table that says what they are, all at the same time."""

from __future__ import annotations

from pathlib import Path

import pytest

from edgereply.storage.run_reader import RunReader
from edgereply.storage.series_record import load_series
from tests.integration.commands import Workplace
from tests.mixed_series.__main__ import BEGIN, END, PAGE, into_page, table_of
from tests.mixed_series.bench import PLAN, bench_text
from tests.rig.rig import Rig
from tests.virtual_board import VirtualBoard

BOARDS = ["software_wires", "plain_kernel", "rt_kernel", "bare_metal"]


@pytest.mark.virtual_board
@pytest.mark.rig
def test_unlike_boards_in_one_series(
    place: Workplace, icount_board: VirtualBoard, rt_icount_board: VirtualBoard
) -> None:
    small = PLAN.read_text(encoding="utf-8").replace("repeats = 6", "repeats = 1").replace("count = 400", "count = 60")
    assert "count = 60" in small
    assert "repeats = 1\n" in small
    place.write(small.replace('warm_up = "500ms"\n', ""), "plan.toml")
    with Rig(board="lookup") as bare:
        place.write(bench_text(icount_board, rt_icount_board, bare))
        done = place.run("sweep", "plan.toml", "--out", "series", "--no-wiring", "--details")
    assert done.code == 0, done.err
    assert f"at the same time: {'; '.join(BOARDS)}" in done.err
    rows = {line.split()[0]: line for line in table_of(done.out).splitlines() if line.split()[0] in BOARDS}
    assert set(rows) == set(BOARDS)
    assert all("VIRTUAL" in row and "1/1" in row for row in rows.values())
    assert "not read" in done.out, "nobody could ask the bare board for its temperature"
    records = {
        b.condition: RunReader(place.root / "series" / b.run).record for b in load_series(place.root / "series").blocks
    }
    assert all(record.virtual and record.state == "complete" for record in records.values())
    # 60 stimuli to the bare board, which answers each: ATmega328P data sheet, 7 cycles of 62.5 ns at least to enter.
    bare_metal = records["bare_metal"].summary
    assert bare_metal["responses"] == 60
    assert bare_metal["reaction"]["min_ns"] >= 7 * 62.5
    preemption = {name: records[name].environment_before["preemption"]["realtime"] for name in BOARDS[1:3]}
    assert preemption == {"plain_kernel": False, "rt_kernel": True}
    told = place.run("compare", "series", "--json").document
    assert set(told["differences"]) >= {"evidence", "responder", "kernel", "preemption", "language", "source model"}
    assert any("mix grades of evidence" in words for words in told["words"])


def test_the_table_takes_its_place_in_its_page(tmp_path: Path) -> None:
    page = tmp_path / "sweeps.md"
    page.write_text(f"before\n{BEGIN}\nold\n{END}\nafter\n")
    for _ in range(2):
        into_page("condition  blocks\ngate  6/6\n", page)
    assert page.read_text() == f"before\n{BEGIN}\n```\ncondition  blocks\ngate  6/6\n```\n{END}\nafter\n"
    page.write_text("nothing")
    with pytest.raises(ValueError, match="mixed series: begin"):
        into_page("x", page)
    text = PAGE.read_text(encoding="utf-8")
    shown = text.partition(BEGIN)[2].partition(END)[0]
    assert all(f"\n{name}" in shown for name in BOARDS)
    assert shown.count("VIRTUAL") == len(BOARDS)
