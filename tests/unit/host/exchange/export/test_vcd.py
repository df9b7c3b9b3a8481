"""Value change dumps, read back by two libraries of others (pyvcd, vcdvcd) and held against the stamps."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from vcd.reader import TokenKind, tokenize
from vcdvcd import VCDVCD

from edgereply.errors import DataError, SettingError
from edgereply.exchange.export.export_runs import export
from edgereply.exchange.export.vcd import LEAD_NS
from edgereply.storage.run_reader import RunReader
from edgereply.storage.run_writer import RunWriter
from edgereply.storage.stamps import BoardStamps
from tests.fakes.saved_runs import HOLD_NS, HOLES, WIDTH_NS, reactions, record, save_run, stimuli


def changes(path: Path) -> dict[str, list[tuple[int, str]]]:
    """Value changes by signal, read by pyvcd."""
    names: dict[str, str] = {}
    found: dict[str, list[tuple[int, str]]] = {}
    now = 0
    with path.open("rb") as file:
        for token in tokenize(file):
            if token.kind is TokenKind.TIMESCALE:
                assert str(token.timescale) == "1 ns"
            elif token.kind is TokenKind.VAR:
                names[token.var.id_code] = token.var.reference
                found[token.var.reference] = []
            elif token.kind is TokenKind.CHANGE_TIME:
                assert token.time_change >= now
                now = token.time_change
            elif token.kind is TokenKind.CHANGE_SCALAR:
                found[names[token.scalar_change.id_code]].append((now, token.scalar_change.value))
    return found


def by_vcdvcd(path: Path) -> dict[str, list[tuple[int, str]]]:
    data: Any = VCDVCD(str(path))
    return {name.rpartition(".")[2]: data[name].tv for name in data.signals}


def draw(directory: Path) -> dict[str, list[tuple[int, str]]]:
    """Export a run; both readers must agree."""
    output = directory.with_name(f"{directory.name}.vcd")
    export([directory], "vcd", "raw", output, lambda _: None)
    found = changes(output)
    assert by_vcdvcd(output) == found
    return found


@pytest.mark.parametrize("parts", [1, 2, 7])
def test_two_readers_find_every_edge_where_it_was_stamped(tmp_path: Path, parts: int) -> None:
    save_run(tmp_path / "run", parts=parts)
    found = draw(tmp_path / "run")
    stimulus, rise, fall = RunReader(tmp_path / "run").source().edges()
    assert len(rise) == 60 - len(HOLES)
    origin = stimulus[0] - LEAD_NS
    assert found["stimulus"][0] == found["response"][0] == (0, "0")
    for name, ups, downs in (("stimulus", stimulus, stimulus + HOLD_NS), ("response", rise, fall)):
        assert [at for at, value in found[name] if value == "1"] == (ups - origin).tolist()
        assert [at for at, value in found[name][1:] if value == "0"] == (downs - origin).tolist()


def test_the_header_says_what_it_is(tmp_path: Path) -> None:
    save_run(tmp_path / "run", 3, holes=(), stamped=False, run_id="a $end b", board="gate 1")
    draw(tmp_path / "run")
    text = (tmp_path / "run.vcd").read_text()
    assert "$comment run a _end b, VIRTUAL, loop-back $end" in text
    assert "$scope module gate_1 $end" in text
    assert f"time 0 is {stimuli(3)[0] - LEAD_NS} ns of the source's clock" in text


def made(directory: Path, edges: list[tuple[int, int]], width_ns: int = 50, **changes: Any) -> Path:
    """A run of these edges: (kind, time), kind 1 stimulus, 2 rise, 3 fall."""
    source = {"kind": "virtual", "plan": {"width_ns": width_ns}}
    writer = RunWriter(directory, record(directory.name, source=source, **changes), part_rows=1)
    for kind, at in edges:
        writer.add_source(np.array([kind], np.uint8), np.array([at], np.int64))
        writer.commit()
    writer.finish("complete", "")
    return directory


def test_edges_that_were_not_recorded_show_as_unknown(tmp_path: Path) -> None:
    run = made(tmp_path / "run", [(1, 1000), (2, 1100), (1, 2000), (2, 2100), (3, 2200), (1, 3000), (3, 3300)])
    found = draw(run)
    lead = LEAD_NS - 1000
    told = [(at - lead, value) for at, value in found["response"][1:]]
    assert told == [(1100, "1"), (1101, "x"), (2100, "1"), (2200, "0"), (2201, "x"), (3300, "0")]


def test_a_stimulus_ends_before_the_next_one_begins(tmp_path: Path) -> None:
    found = draw(made(tmp_path / "run", [(1, 1000), (1, 1030), (1, 5_000_000)], width_ns=200))
    lead = LEAD_NS - 1000
    told = [(at - lead, value) for at, value in found["stimulus"][1:]]
    assert told == [(1000, "1"), (1029, "0"), (1030, "1"), (1230, "0"), (5_000_000, "1"), (5_000_200, "0")]


def board_run(tmp_path: Path, edge: Any, lag_ns: int) -> Path:
    """A run of board stamps, a part each answer; pulses of 0.7 ms."""
    writer = RunWriter(tmp_path / "run", record(source={"kind": "generator", "captures": False}), part_rows=1)
    for number in range(len(edge)):
        high = edge[number : number + 1] + lag_ns
        sequence = np.array([number + 1], np.uint32)
        writer.add_board(BoardStamps(edge[number : number + 1], high - 10, high, high + 700_000, sequence, sequence))
        writer.commit()
    writer.finish("complete", "")
    return writer.directory


def test_edges_that_overlap_between_parts_come_out_in_order(tmp_path: Path) -> None:
    """Every edge waited while the answers before it were given."""
    run = board_run(tmp_path, np.arange(1, 9) * 1_000_000, 3_500_000)
    found = draw(run)
    board = RunReader(run).board()
    shift = LEAD_NS - board.edge_ns[0]
    for name, ups in (("stimulus", board.edge_ns), ("response", board.set_ns)):
        assert [at for at, value in found[name] if value == "1"] == (ups + shift).tolist()
    assert [at for at, value in found["response"][1:] if value == "0"] == (board.clear_ns + shift).tolist()


def test_stamps_out_of_order_are_refused_not_bent(tmp_path: Path) -> None:
    run = board_run(tmp_path, np.array([1, 4, 6, 2]) * 10**9, 3_500)
    with pytest.raises(DataError, match="out of order"):
        export([run], "vcd", "raw", tmp_path / "t.vcd", lambda _: None)
    assert not (tmp_path / "t.vcd").exists()


def test_without_captures_the_boards_own_stamps_are_drawn(tmp_path: Path) -> None:
    source = {"kind": "generator", "captures": False, "plan": {"width_ns": HOLD_NS}}
    save_run(tmp_path / "run", 12, holes=(), source=source)
    found = draw(tmp_path / "run")
    ups = np.array([at for at, value in found["response"] if value == "1"])
    downs = np.array([at for at, value in found["response"][1:] if value == "0"])
    assert (downs - ups).tolist() == [WIDTH_NS] * 12
    inputs = np.array([at for at, value in found["stimulus"] if value == "1"])
    assert (ups - inputs).tolist() == (reactions(12) - 900).tolist()
    assert "of the board's clock" in (tmp_path / "run.vcd").read_text()


def test_one_run_a_dump(tmp_path: Path) -> None:
    for name in ("a", "b"):
        save_run(tmp_path / name, 3, holes=())
    with pytest.raises(SettingError, match="one time axis"):
        export([tmp_path / "a", tmp_path / "b"], "vcd", "raw", tmp_path / "t.vcd", lambda _: None)
    save_run(tmp_path / "empty", 0, holes=())
    with pytest.raises(SettingError, match="no stamps"):
        export([tmp_path / "empty"], "vcd", "raw", tmp_path / "t.vcd", lambda _: None)
    assert not (tmp_path / "t.vcd").exists()


def test_a_board_without_any_answer_is_drawn(tmp_path: Path) -> None:
    empty = np.empty(0, np.int64)
    nothing = BoardStamps(empty, empty, empty, empty, empty.astype(np.uint32), empty.astype(np.uint32))
    writer = RunWriter(tmp_path / "run", record())
    writer.add_board(nothing)
    writer.add_source(np.array([1, 1], np.uint8), np.array([1000, 9_000_000], np.int64))
    writer.finish("complete", "")
    assert draw(tmp_path / "run")["response"] == [(0, "0")]
