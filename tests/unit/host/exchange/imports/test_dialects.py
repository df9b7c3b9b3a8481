"""A known recording, written in every dialect, gives the same edges back within the resolution that is stated."""

from __future__ import annotations

import tempfile
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from edgereply.exchange.imports.crossings import EnvelopeFinder
from edgereply.exchange.imports.import_files import read
from edgereply.exchange.imports.logic_levels import common_step
from edgereply.exchange.imports.recording import Recording
from edgereply.exchange.imports.waveforms import Settings
from tests.unit.host.exchange.imports.dialects import LISTS, SAMPLES, Known, Writer

GRID_NS = 10


@st.composite
def recordings(draw: st.DrawFn) -> Known:
    """Three to six stimuli, each answered after 13 to 60 µs; levels last 12 µs at least; all on a grid of 10 ns."""
    gaps = st.integers(1_200, 9_000).map(lambda steps: steps * GRID_NS)
    now, first, second = draw(st.sampled_from([20_000, 1_500_000])), [], []
    for _ in range(draw(st.integers(3, 6))):
        now += draw(gaps)
        lag, width, length = draw(st.integers(1_300, 6_000)) * GRID_NS, draw(gaps), draw(gaps)
        first += [now, now + width]
        second += [now + lag, now + lag + length]
        now = max(first[-1], second[-1])
    return Known(first, second, now + 40_000)


def agree(found: Recording, known: Known, label: str, noise_ns: float = 0.0) -> None:
    assert len(found.channels) == 2, label
    (segment,) = found.segments
    for (name, channel), line in zip(found.channels.items(), (known.first, known.second), strict=True):
        trace = segment.traces[name]
        # Times since the recording's first sample; one that begins later says by how much.
        at = trace.at_ns + (segment.start_ns if label == "a_channel_each" else 0.0)
        assert trace.rising.tolist() == [n % 2 == 0 for n in range(len(line))], (label, name)
        # A value that is equally likely over the resolution is at most half of it away; a nanosecond is for storing.
        assert np.abs(at - np.array(line)).max() <= channel.resolution_ns / 2 + 1.0 + noise_ns, (label, name)


@pytest.mark.parametrize("dialect", [*LISTS, *SAMPLES])
def test_every_dialect_gives_the_same_edges(dialect: str) -> None:
    writer: Writer = {**LISTS, **SAMPLES}[dialect]
    vcd = dialect.startswith("value_changes")

    @settings(max_examples=12)
    @given(known=recordings())
    def check(known: Known) -> None:
        with tempfile.TemporaryDirectory() as place:
            found = writer(Path(place), known).read()
        agree(found, known, dialect)
        resolution = max(channel.resolution_ns for channel in found.channels.values())
        # What a dialect can tell, and no more: a list its digits, samples the time between them.
        # The times of a few changes may all be multiples of more than the grid, which a VCD is believed.
        most = 1_050.0 if dialect in SAMPLES else 10_000.0 if vcd else 10.0
        assert resolution <= most
        assert resolution >= (1.0 if vcd or dialect in ("change_list_parquet", "change_list_npz") else 9.9)

    check()


KNOWN = Known([100_000, 160_000, 1_400_000, 1_470_000], [128_000, 190_000, 1_431_000, 1_515_000], 1_800_000)


@pytest.mark.parametrize(
    ("dialect", "names"),
    [
        ("change_list", ["D0", "D1"]),
        ("change_list_a_channel_each", ["eye", "coil"]),
        ("numbered_titles", ["1", "2"]),
        ("units_in_words", ["Kanal A", "Kanal B"]),
        ("header_lines", ["CH1", "CH2"]),
        ("header_beside", ["CH1", "CH3"]),
        ("node_voltages", ["v(s)", "v(r)"]),
        ("a_channel_each", ["eye", "coil"]),
        ("arrays_with_a_rate", ["CH1", "CH2"]),
        ("parquet_in_microseconds", ["CH1", "CH2"]),
        ("session", ["D0", "D1"]),
        ("analog_session", ["A0", "A1"]),
    ],
)
def test_names_are_those_on_the_instruments_front(dialect: str, names: list[str], tmp_path: Path) -> None:
    found = {**LISTS, **SAMPLES}[dialect](tmp_path, KNOWN).read()
    assert list(found.channels) == names
    # A circuit simulator writes no unit of time.
    unsure = [doubt for doubt in found.doubts if "no unit of time" in doubt]
    assert len(unsure) == (dialect == "node_voltages")
    levels = [channel.levels.high for channel in found.channels.values() if channel.levels]
    assert not levels or levels == pytest.approx([3.3, 5.0], abs=1e-5)


@pytest.mark.parametrize("dialect", ["numbered_titles", "units_in_words", "header_lines", "header_beside"])
def test_what_the_header_says_is_no_doubt(dialect: str, tmp_path: Path) -> None:
    assert SAMPLES[dialect](tmp_path, KNOWN).read().doubts == []


@pytest.mark.parametrize(
    ("dialect", "words"),
    [
        ("change_list", "known to their last digit only"),
        ("change_list_ends_blank", "2 rows without values were left out"),
        ("blank_last_rows", "3 rows without values were left out"),
        ("rounded_by_a_spreadsheet", "the interval that the header states is taken, 1000 ns"),
        ("logic_samples_rounded", "the interval that the header states is taken, 1000 ns"),
        ("envelope", "an edge is known to its interval of 1000 ns only"),
        ("wav", "no volts"),
        ("array_with_times", "seconds are taken"),
    ],
)
def test_what_is_taken_for_granted_is_said(dialect: str, words: str, tmp_path: Path) -> None:
    found = {**LISTS, **SAMPLES}[dialect](tmp_path, KNOWN).read()
    assert len([doubt for doubt in found.doubts if words in doubt]) == 1


def test_unknown_levels_are_counted_and_keep_the_level_before(tmp_path: Path) -> None:
    found = SAMPLES["logic_samples_with_unknown"](tmp_path, KNOWN).read()
    cells = (tmp_path / "logic.csv").read_text().count("X")
    assert cells > 5
    assert [channel.unknown for channel in found.channels.values()] == [cells, 0]
    assert found.edges("D0") == 4


def test_unknown_levels_beside_volts(tmp_path: Path) -> None:
    """A mixed recording: volts, and a line whose level is unknown at times, even throughout the file's head."""
    rows = [f"{n}e-6,{3.3 * (n % 40 >= 20):.1f},{'X' if n % 7 == 0 else int(n % 40 >= 25)}" for n in range(2_000)]
    (tmp_path / "a.csv").write_text("\n".join(["Time (s),A (V),D0", *rows, ""]))
    found = read([tmp_path / "a.csv"], [], Settings())
    assert found.edges("A") == found.edges("D0") == 99
    assert found.channels["D0"].unknown == pytest.approx(2_000 / 7, abs=1)
    # Unknown samples may hide an edge for as long as they last.
    late = found.segments[0].traces["D0"].at_ns[::2] - np.arange(50) * 40_000 - 24_500
    assert set(np.round(late).tolist()) <= {0.0, 1_000.0}


def test_a_column_of_words_is_named_when_it_is_left_out(tmp_path: Path) -> None:
    rows = [f"{n}e-6,{3.3 * (n % 40 >= 20):.1f},{5.0 * (n % 40 >= 25):.1f},ok" for n in range(200)]
    (tmp_path / "a.csv").write_text("\n".join(["Time (s),A (V),B (V),remark", *rows, ""]))
    assert read([tmp_path / "a.csv"], [], Settings()).layout["left out, not numbers"] == "remark"


def test_the_interval_that_a_person_states_wins(tmp_path: Path) -> None:
    made = SAMPLES["rounded_by_a_spreadsheet"](tmp_path, KNOWN)
    path = made.paths[0]
    path.write_text(path.read_text().partition("\n")[2])
    made.interval_ns = 1_000.0
    agree(made.read(), KNOWN, "stated")
    made.interval_ns = 2_000.0
    found = made.read()
    assert any("--interval counts" in doubt for doubt in found.doubts)
    assert found.segments[0].traces["CH1"].at_ns == pytest.approx(2.0 * np.array(KNOWN.first), abs=1_001.0)


def test_milliseconds_follow_from_the_interval_that_is_stated(tmp_path: Path) -> None:
    """No unit is written at the times, only the interval's: it tells theirs."""
    t = np.arange(1_800) * 1e-3
    rows = [f"{when:.3f},{a},{b}" for when, a, b in zip(t, *KNOWN.levels(t * 1e6), strict=True)]
    (tmp_path / "a.csv").write_text("\n".join(["Sample Interval,1E-06,s", "Time,A,B", *rows, ""]))
    found = read([tmp_path / "a.csv"], [], Settings())
    assert found.segments[0].length_ns == 1_799_000
    assert not any("seconds are taken" in doubt for doubt in found.doubts)


@pytest.mark.parametrize("edges", [40, 400])
def test_a_list_of_more_digits_than_the_instrument_had_tells_its_sampling(edges: int, tmp_path: Path) -> None:
    """Sampled at 24 MHz, printed to a nanosecond, over a hundred milliseconds."""
    generator = np.random.default_rng(edges)
    ticks = np.cumsum(generator.integers(7, 2_000_000 // edges, edges))
    at = np.round(ticks * 1e9 / 24e6).astype(int)
    rows = [f"{t // 10**9}.{t % 10**9:09d},{n % 2}" for n, t in enumerate([0, *at.tolist()])]
    (tmp_path / "a.csv").write_text("\n".join(["Time [s],D0", *rows, ""]))
    found = read([tmp_path / "a.csv"], [], Settings())
    assert found.channels["D0"].resolution_ns == pytest.approx(1e9 / 24e6, rel=1e-3)
    assert found.segments[0].traces["D0"].at_ns == pytest.approx(at)
    stated = read([tmp_path / "a.csv"], [], Settings(), 100.0)
    assert stated.channels["D0"].resolution_ns == 100.0


def test_times_without_a_common_step_are_known_to_their_digits() -> None:
    """How often a step is found where there is none: never in 300 recordings of 30 to 200 changes."""
    generator = np.random.default_rng(21)
    found = [
        common_step(np.cumsum(generator.integers(50, 5_000, int(generator.integers(31, 200)))).astype(np.float64), 1.0)
        for _ in range(300)
    ]
    assert found == [0.0] * 300


def test_samples_at_two_a_printed_time_and_an_envelope_are_told_apart_by_the_interval(tmp_path: Path) -> None:
    """Samples every 500 ns whose times are printed to a microsecond: pairs of rows, but not sorted ones."""
    at = np.arange(0, KNOWN.end, 500)
    volts = np.random.default_rng(3).normal(0.0, 0.05, (2, at.size)) + np.array(KNOWN.levels(at)) * 3.3
    rows = [f"{t // 1000}e-6,{a:.3f},{b:.3f}" for t, a, b in zip(at.tolist(), *volts, strict=True)]
    body = "\n".join(["Time (s),A (V),B (V)", *rows, ""])
    (tmp_path / "a.csv").write_text("Sample Interval,5E-07,s\n" + body)
    plain = read([tmp_path / "a.csv"], [], Settings())
    assert plain.channels["A"].resolution_ns < 600
    (tmp_path / "b.csv").write_text(body)
    worse = read([tmp_path / "b.csv"], [], Settings())
    assert worse.channels["A"].resolution_ns >= 1_000
    for found in (plain, worse):
        agree(found, KNOWN, "pairs", noise_ns=20.0)


def test_the_order_within_an_envelope_is_no_time(tmp_path: Path) -> None:
    """A pulse within one interval: up and down again, however its two rows are sorted, and no edge outside of it."""
    for order in (1, -1):
        rows = []
        for n in range(60):
            pair = [(0.0, 3.3) if n in (20, 40) else (0.0, 0.01), (3.3, 3.3) if 30 <= n < 50 else (0.0, 0.01)]
            rows += [",".join([f"{n}e-06", *(f"{p[k]:.2f}" for p in pair)]) for k in (0, 1)[::order]]
        (tmp_path / "a.csv").write_text("\n".join(["Time (s),A (V),B (V)", *rows, ""]))
        found = read([tmp_path / "a.csv"], [], Settings())
        trace = found.segments[0].traces["A"]
        assert trace.rising.tolist() == [True, False] * 2
        assert trace.at_ns // 1_000 == pytest.approx([20, 20, 40, 40])
        assert found.segments[0].traces["B"].at_ns == pytest.approx([30_000, 50_000], abs=1)
        assert found.channels["A"].resolution_ns == pytest.approx(1_000, abs=1)


def test_where_it_is_drawn_in_pieces_an_envelope_is_the_same() -> None:
    generator = np.random.default_rng(5)
    level = np.repeat(generator.integers(0, 2, 60), generator.integers(1, 5, 60)) * 1.0
    pairs = np.stack([np.minimum(level[:-1], level[1:]), np.maximum(level[:-1], level[1:])], axis=1)
    time, value = np.repeat(np.arange(len(pairs)) * 10.0, 2), pairs.reshape(-1)
    whole = EnvelopeFinder(0.0, 1.0, 10.0).feed(time, value)
    assert whole.at.size > 20
    assert np.all(np.diff(whole.at) > 0)
    for cut in range(1, time.size):
        finder = EnvelopeFinder(0.0, 1.0, 10.0)
        parts = [finder.feed(time[a:b], value[a:b]) for a, b in pairwise((0, cut, time.size))]
        assert np.concatenate([part.at for part in parts]).tolist() == whole.at.tolist()
        assert np.concatenate([part.rising for part in parts]).tolist() == whole.rising.tolist()


def test_a_recording_that_is_no_table_of_levels_after_its_head_is_read_as_volts(tmp_path: Path) -> None:
    """Zeros for a thousand lines look like logic levels."""
    rows = [f"{n}e-6,0,0" for n in range(1_000)] + [f"{n}e-6,{3.3 * (n % 40 < 20)},0" for n in range(1_000, 1_200)]
    (tmp_path / "a.csv").write_text("\n".join(["Time (s),A,B", *rows, ""]))
    found = read([tmp_path / "a.csv"], [], Settings())
    levels = found.channels["A"].levels
    assert levels is not None
    assert levels.high == pytest.approx(3.3)
    assert found.edges("A") == 10


@pytest.mark.parametrize("titles", ["Time (s),Source,Gate", "Time (s),Gate,Source"])
def test_a_channel_may_be_called_source(titles: str, tmp_path: Path) -> None:
    rows = [f"{n}e-6,{3.3 * (n % 40 >= 20):.1f},{5.0 * (n % 40 >= 25):.1f}" for n in range(200)]
    (tmp_path / "a.csv").write_text("\n".join(["Sample Interval,1E-06,s", titles, *rows, ""]))
    assert list(read([tmp_path / "a.csv"], [], Settings()).channels) == titles.split(",")[1:]
    (tmp_path / "b.csv").write_text("\n".join([titles.partition(",")[2], *(row.partition(",")[2] for row in rows), ""]))
    found = read([tmp_path / "b.csv"], [], Settings(interval_ns=1_000.0))
    assert list(found.channels) == titles.split(",")[1:]


def test_a_list_of_changes_at_even_times_is_a_list(tmp_path: Path) -> None:
    """Periodic stimuli and answers, a change every 250 µs: no sampling has a change in every row."""
    rows = [f"{n * 250e-6:.8f},{int(n % 4 in (1, 2))},{int(n % 4 in (2, 3))}" for n in range(40)]
    (tmp_path / "a.csv").write_text("\n".join(["Time [s],D0,D1", *rows, ""]))
    found = read([tmp_path / "a.csv"], [], Settings())
    assert found.kind == "CSV list of changes"
    assert found.segments[0].traces["D0"].at_ns[:2] == pytest.approx([250_000, 750_000])
    assert found.segments[0].traces["D1"].at_ns[:2] == pytest.approx([500_000, 1_000_000])


def test_sorted_pairs_are_an_envelope_whatever_interval_the_header_states(tmp_path: Path) -> None:
    levels = KNOWN.levels(np.arange(0, KNOWN.end, 1_000))
    pairs = [(n, sign) for n in range(len(levels[0])) for sign in (-1, 1)]
    rows = [f"{n}e-06,{levels[0][n] * 3.3 + sign * 0.02:.2f},{levels[1][n] * 5 + sign * 0.02:.2f}" for n, sign in pairs]
    made = tmp_path / "a.csv"
    made.write_text("\n".join(["Sample Interval,5E-07,s", "Time (s),A (V),B (V)", *rows, ""]))
    found = read([made], [], Settings())
    assert any("(envelope" in doubt for doubt in found.doubts)
    agree(found, KNOWN, "stated")
