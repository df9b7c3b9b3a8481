"""The same recording in every layout that instruments use must give the same edges."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from edgereply.exchange.imports.csv_layout import find_layout
from edgereply.exchange.imports.import_files import read as recording_of
from edgereply.exchange.imports.recording import Recording
from edgereply.exchange.imports.waveforms import Settings
from tests.unit.host.exchange.imports.layouts import LAYOUTS, REACTION, RISES, STEP_NS, WIDTH, rows, truth


def read(path: Path, text: str, **options: float) -> Recording:
    path.write_bytes(text.encode("utf-8"))
    return recording_of([path], [], Settings(interval_ns=options.get("interval_ns")))


@pytest.mark.parametrize("layout", LAYOUTS)
def test_every_layout_gives_the_same_edges(layout: str, tmp_path: Path) -> None:
    found = read(tmp_path / "scope.csv", LAYOUTS[layout]())
    assert len(found.channels) == 2
    assert len(found.segments) == 1
    (segment,) = found.segments
    assert segment.length_ns == (len(truth().time_s) - 1) * STEP_NS
    for channel, delay in zip(found.channels.values(), (0, REACTION), strict=True):
        trace = segment.traces[channel.name]
        # The sample that lies at 50 % is the crossing, whatever the neighbours.
        expected = np.array([(rise + delay + end) * STEP_NS for rise in RISES for end in (0, WIDTH)])
        assert trace.at_ns == pytest.approx(expected, abs=0.01)
        assert trace.rising.tolist() == [True, False] * len(RISES)
    levels = [channel.levels for channel in found.channels.values()]
    assert [level.high for level in levels if level] == pytest.approx([3.25, 5.0], abs=1e-6)
    assert [level.low for level in levels if level] == pytest.approx([0.0, 0.0], abs=1e-6)


@pytest.mark.parametrize(
    ("layout", "names"),
    [
        ("plain", ["CH1", "CH2"]),
        ("units_in_header", ["Channel A", "Channel B"]),
        ("bracketed_unit_row", ["Channel A", "Channel B"]),
        ("tabs_and_commas", ["A", "B"]),
        ("start_and_increment", ["CH1", "CH2"]),
        ("comments", ["CH1", "CH2"]),
        ("no_header", ["column 2", "column 3"]),
    ],
)
def test_channels_have_the_names_of_the_file(layout: str, names: list[str], tmp_path: Path) -> None:
    path = tmp_path / "scope.csv"
    path.write_text(LAYOUTS[layout](), encoding="utf-8")
    assert list(find_layout(path).channels) == names


@pytest.mark.parametrize(("layout", "doubts"), [("plain", ["no unit of time", "no unit of volts"]), ("unit_row", [])])
def test_what_is_taken_for_granted_is_said(layout: str, doubts: list[str], tmp_path: Path) -> None:
    path = tmp_path / "scope.csv"
    path.write_text(LAYOUTS[layout](), encoding="utf-8")
    said = find_layout(path).doubts
    assert len(said) == len(doubts)
    assert all(part in text for part, text in zip(doubts, said, strict=True))


def test_a_header_that_contradicts_the_time_column_is_said(tmp_path: Path) -> None:
    path = tmp_path / "scope.csv"
    path.write_text(LAYOUTS["preamble"]().replace("1.0E-06", "2.0E-06"))
    assert any("header states 2000 ns" in doubt for doubt in find_layout(path).doubts)


def test_an_interval_makes_up_for_a_missing_time_axis(tmp_path: Path) -> None:
    t = truth()
    found = read(tmp_path / "scope.csv", "CH1,CH2\n" + rows(",", ".", t.second, t.first), interval_ns=250.0)
    assert found.segments[0].traces["CH2"].at_ns[0] == pytest.approx(RISES[0] * 250.0)


def test_times_printed_too_coarsely_are_spaced_evenly(tmp_path: Path) -> None:
    """Seven neighbouring samples share a printed time of 0.00001 s steps; positions come out right all the same."""
    t = truth()
    printed = np.round(t.time_s, 5)
    found = read(tmp_path / "scope.csv", "Time (s),A (V),B (V)\n" + rows(",", ".", printed, t.first, t.second))
    assert any("too coarsely" in doubt for doubt in found.doubts)
    expected = np.array([(rise + end) * STEP_NS for rise in RISES for end in (0, WIDTH)])
    # The ends of the record are printed to 10 µs as well: the whole line may be off by 5 µs.
    assert found.segments[0].traces["A"].at_ns == pytest.approx(expected, abs=5_000)


def test_over_range_signs_are_samples(tmp_path: Path) -> None:
    text = LAYOUTS["no_header"]().replace(",5\n", ",∞\n", 1)
    found = read(tmp_path / "scope.csv", text)
    levels = found.channels["column 3"].levels
    assert levels is not None
    assert levels.out_of_range == 1
    assert found.edges("column 3") == 2 * len(RISES)


@pytest.mark.parametrize("parting", ["\n", "Time,CH1,CH2\n", "# trigger 2\n", "Segment 2\n"])
def test_segments_in_one_file(parting: str, tmp_path: Path) -> None:
    text = LAYOUTS["plain"]()
    body = text.partition("\n")[2]
    found = read(tmp_path / "scope.csv", text + parting + body + parting + body)
    assert [segment.length_ns for segment in found.segments] == [3_199_000] * 3
    assert not found.continuous
    assert found.edges("CH1") == 3 * 2 * len(RISES)


def test_segments_follow_from_time_alone_or_from_a_column(tmp_path: Path) -> None:
    t = truth()
    body = LAYOUTS["no_header"]()
    assert len(read(tmp_path / "a.csv", body + body).segments) == 2
    numbered = "Segment,Time (s),A (V),B (V)\n" + "".join(
        rows(",", ".", np.full(t.time_s.size, float(n)), t.time_s + n, t.first, t.second) for n in (1, 2, 3)
    )
    found = read(tmp_path / "b.csv", numbered)
    assert len(found.segments) == 3
    assert found.continuous
    assert [segment.start_ns for segment in found.segments] == pytest.approx([999.5e6, 1999.5e6, 2999.5e6])


def test_one_file_a_segment(tmp_path: Path) -> None:
    paths = [tmp_path / f"{n}.csv" for n in range(3)]
    for path in paths:
        path.write_text(LAYOUTS["unit_row"]())
    found = recording_of(paths, [], Settings())
    assert len(found.segments) == 3
    assert not found.continuous
    assert len(found.files) == 3


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    separator=st.sampled_from([",", ";", "\t"]),
    comma=st.booleans(),
    header=st.lists(st.text("abcdefgh XYZ", min_size=1, max_size=20), max_size=8),
    titles=st.sampled_from([None, ("Time", "A", "B"), ("t (s)", "A (V)", "B (V)"), ("x/s", "A/V", "B/V")]),
    end=st.sampled_from(["\n", "\r\n"]),
    start_us=st.integers(-10_000_000, 10_000_000),
    digits=st.integers(10, 15),
)
def test_any_mix_of_these_is_read(
    separator: str, comma: bool, header: list[str], titles: tuple[str, ...] | None, end: str, start_us: int,
    digits: int, tmp_path: Path,
) -> None:  # fmt: skip
    decimal = "," if comma and separator != "," else "."
    place = np.arange(60, dtype=np.float64)
    level = np.where((place >= 20) & (place < 40), 3.3, 0.0)
    time = (start_us + place) * 1e-6
    lines = [*header, *([separator.join(titles)] if titles else [])]
    text = "".join(line + "\n" for line in lines) + rows(separator, decimal, time, level, level[::-1], digits=digits)
    found = read(tmp_path / "scope.csv", text.replace("\n", end))
    assert len(found.channels) == 2
    for channel, edges in zip(found.channels, ([19_500.0, 39_500.0], [19_500.0, 39_500.0]), strict=True):
        assert found.segments[0].traces[channel].at_ns == pytest.approx(edges, abs=2.0)
