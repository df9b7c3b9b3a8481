"""VCD as others write and read it: files by pyvcd, read again by vcdvcd and by pyvcd's own tokens."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from vcd import VCDWriter
from vcd.reader import TokenKind, tokenize
from vcdvcd import VCDVCD

from edgereply.exchange.imports.recording import Recording
from edgereply.exchange.imports.vcd import read_vcd
from edgereply.exchange.imports.vcd_changes import BLOCK_BYTES, read_changes
from edgereply.exchange.imports.vcd_header import read_header

SCALE_NS = {"1 ps": 1e-3, "10 ns": 10.0, "100 us": 1e5}
HEAD = "$timescale 1 us $end $scope module top $end $var wire 1 ! eye $end $var wire 1 # gate $end $upscope $end\n"
HEAD += "$enddefinitions $end\n"


def written(path: Path, edges: Sequence[tuple[int, int, int]], scale: str = "1 us", end: int | None = None) -> Path:
    """A file by pyvcd: (time, line, level) of two lines that begin low."""
    with path.open("w") as file, VCDWriter(file, timescale=scale, date="today") as writer:
        lines = [writer.register_var("top", name, "wire", size=1, init=0) for name in ("eye", "gate")]
        for at, line, level in edges:
            writer.change(lines[line], at, level)
        writer.close(end)
    return path


def read(path: Path, text: str) -> Recording:
    path.write_text(text)
    return read_vcd([path])


@pytest.mark.parametrize("scale", SCALE_NS)
def test_a_file_by_pyvcd(scale: str, tmp_path: Path) -> None:
    edges = [(1000, 0, 1), (1250, 1, 1), (1500, 0, 0), (1750, 1, 0), (4000, 0, 1)]
    found = read_vcd([written(tmp_path / "a.vcd", edges, scale, end=9000)])
    (segment,) = found.segments
    assert list(found.channels) == ["top.eye", "top.gate"]
    assert segment.traces["top.eye"].at_ns == pytest.approx(np.array([1000, 1500, 4000]) * SCALE_NS[scale])
    assert segment.traces["top.eye"].rising.tolist() == [True, False, True]
    assert segment.traces["top.gate"].at_ns == pytest.approx(np.array([1250, 1750]) * SCALE_NS[scale])
    assert segment.length_ns == round(9000 * SCALE_NS[scale])
    assert found.channels["top.eye"].resolution_ns == pytest.approx(max(1.0, 250 * SCALE_NS[scale]))
    assert found.layout["time scale"] == scale
    assert "date: today" in found.header


_CHANGES = st.lists(
    st.tuples(st.integers(0, 50), st.integers(0, 1), st.sampled_from(["0", "1", "x", "z"])), max_size=60
)


@settings(max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(changes=_CHANGES)
def test_two_other_readers_see_the_same(changes: list[tuple[int, int, str]], tmp_path: Path) -> None:
    """Changes to 0 and 1 as vcdvcd gives them, and as pyvcd's tokens do; x and z keep the level before."""
    path = tmp_path / "a.vcd"
    now, edges = 0, []
    for gap, line, level in changes:
        now += gap
        edges.append((now, line, level))
    with path.open("w") as file, VCDWriter(file, timescale="1 ns", date="") as writer:
        lines = [writer.register_var("top", name, "wire", size=1, init="0") for name in ("eye", "gate")]
        for at, line, level in edges:
            writer.change(lines[line], at, level)
        writer.close(now + 1)
    header = read_header(path)
    mine = read_changes(path, header).signals
    theirs = VCDVCD(str(path))
    for name in ("top.eye", "top.gate"):
        signal = mine[header.variables[name]]
        got = list(zip(signal.at, signal.level, strict=True))
        assert got == _levels([(int(at), str(value)) for at, value in theirs[name].tv])
        assert got == _levels(_tokens(path, header.variables[name].decode()))


def _tokens(path: Path, code: str) -> list[tuple[int, str]]:
    now, found = 0, []
    for token in tokenize(io.BytesIO(path.read_bytes())):
        if token.kind is TokenKind.CHANGE_TIME:
            now = token.time_change
        elif token.kind is TokenKind.CHANGE_SCALAR and token.scalar_change.id_code == code:
            found.append((now, token.scalar_change.value))
    return found


def _levels(changes: Sequence[tuple[int, str]]) -> list[tuple[int, int]]:
    found: list[tuple[int, int]] = []
    for at, value in changes:
        if value in "01" and (not found or found[-1][1] != int(value)):
            found.append((at, int(value)))
    return found


def test_blocks_make_no_difference(tmp_path: Path) -> None:
    """More than one block of changes: times, counts and order survive the seams."""
    edges = [(10 * n + 7 * line, line, n % 2) for n in range(1, 60_000) for line in (0, 1)]
    path = written(tmp_path / "a.vcd", edges)
    assert path.stat().st_size > BLOCK_BYTES
    found = read_vcd([path]).segments[0].traces
    assert found["top.eye"].at_ns == pytest.approx(np.arange(1, 60_000) * 10_000.0)
    assert found["top.gate"].at_ns == pytest.approx(np.arange(1, 60_000) * 10_000.0 + 7_000.0)


def test_what_is_unknown_keeps_the_level(tmp_path: Path) -> None:
    found = read(tmp_path / "a.vcd", HEAD + "#0 0! 0#\n#10 1!\n#20 x!\n#30 1!\n#40 z!\n#50 0!\n#60 x#\n#99\n")
    trace = found.segments[0].traces["top.eye"]
    assert trace.at_ns.tolist() == [10_000.0, 50_000.0]
    assert found.channels["top.eye"].unknown == 2
    assert found.edges("top.gate") == 0


def test_the_first_known_state_is_no_edge(tmp_path: Path) -> None:
    found = read(tmp_path / "a.vcd", HEAD + "$dumpvars x! 1# $end\n#5 0!\n#10 1!\n#20 0#\n#30 0!\n")
    assert found.segments[0].traces["top.eye"].at_ns.tolist() == [10_000.0, 30_000.0]
    assert found.segments[0].traces["top.gate"].rising.tolist() == [False]


def test_where_dumping_was_off_is_a_gap(tmp_path: Path) -> None:
    """What changed while dumping was off is no edge where it comes on again."""
    text = "#0 0! 0#\n#10 1!\n#20 0!\n#50\n$dumpoff x! x# $end\n#90\n$dumpon 1! 0# $end\n#95 0!\n#100\n"
    found = read(tmp_path / "a.vcd", HEAD + text)
    assert [(s.start_ns, s.length_ns) for s in found.segments] == [(0.0, 50_000), (90_000.0, 10_000)]
    assert [s.traces["top.eye"].at_ns.tolist() for s in found.segments] == [[10_000.0, 20_000.0], [5_000.0]]
    assert [s.traces["top.eye"].rising.tolist() for s in found.segments] == [[True, False], [False]]
    assert found.continuous
    assert found.channels["top.eye"].unknown == 0


def test_vectors_reals_comments_and_odd_identifiers_are_passed_over(tmp_path: Path) -> None:
    head = "$timescale 1us $end $var wire 1 0! eye $end $var wire 8 # bus [7:0] $end $var real 64 $x v $end\n"
    head += "$var wire 1 0! same $end $enddefinitions $end\n"
    body = "#0 00! b0 # r1.5 $x\n$comment 1! #5 gate $end\n#10 10! bx1 #\n#20.000 00!\nsword $x #21\n"
    found = read(tmp_path / "a.vcd", head + body)
    assert found.segments[0].traces["eye"].at_ns.tolist() == [10_000.0, 20_000.0]
    assert found.segments[0].traces["same"].at_ns.tolist() == [10_000.0, 20_000.0]
    assert any("bus[7:0], v" in doubt for doubt in found.doubts)


def test_a_pulse_that_lasts_no_time_goes(tmp_path: Path) -> None:
    found = read(tmp_path / "a.vcd", HEAD + "#0 0! 0#\n#10 1! 0!\n#20 1!\n#30 0!\n")
    assert found.segments[0].traces["top.eye"].at_ns.tolist() == [20_000.0, 30_000.0]
    assert found.channels["top.eye"].glitches == 2


def test_words_in_other_letters_are_no_reason_to_refuse(tmp_path: Path) -> None:
    path = tmp_path / "a.vcd"
    path.write_bytes("$date März $end\n$comment sampled at 24 MHz, ± 50 ppm $end\n".encode("latin-1") + HEAD.encode())
    path.write_bytes(path.read_bytes() + b"#0 0! 0#\n#5 1!\n")
    assert "24 MHz" in read_vcd([path]).header
