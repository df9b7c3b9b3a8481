"""What is wrong with a CSV is said with the number of the line; no file, however hostile, ends otherwise."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from edgereply.errors import DataError
from edgereply.exchange.imports import files, samples
from edgereply.exchange.imports.import_files import read as recording_of
from edgereply.exchange.imports.waveforms import Settings
from tests.unit.host.exchange.imports.layouts import LAYOUTS

LINES = LAYOUTS["plain"]().splitlines(keepends=True)


def altered(line: int, text: str) -> str:
    return "".join([*LINES[: line - 1], text, *LINES[line:]])


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        (altered(1500, "0.1,abc,0\n"), 1500, "'abc' is no number for CH1"),
        (altered(1500, "0.1,2.5\n"), 1500, "2 fields, not 3"),
        (altered(1500, "0.1,,2.5\n"), 1500, "'' is no number for CH1"),
        (altered(1500, "0.0009985,nan,0\n"), 1500, "'nan' is no number for CH1"),
        (altered(3201, "0.0026"), 3201, "1 fields, not 3"),
        (altered(1500, "0.00099,0,0\n"), 1500, "time goes back"),
        (altered(1500, "10000,0,0\n"), 1500, "time leaps"),
        (altered(1500, "0.0009985,1e300,0\n"), 3, "is no voltage"),
        (altered(1500, f"0.1,{'9' * 70_000}\n"), 1500, "longer than 64 KiB"),
        ("Sample,CH1\n" + "".join(f"{n},0\n" for n in range(50)), 2, "no time axis"),
        ("Time (s)\n" + "".join(f"{n}e-6\n" for n in range(50)), 2, "no channel beside the time"),
        ("nothing here\nbut words\n", 1, "no table of numbers"),
        ("x" * 70_000, 1, "longer than 64 KiB"),
        ("\0\0\0\0", 1, "UTF-16 or binary"),
        ("\ufeff\n".encode("utf-16").decode("latin-1"), 1, "UTF-16 or binary"),
    ],
)  # fmt: skip
def test_the_line_is_named(text: str, line: int, words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(files.line_blocks, "__defaults__", (files.no_progress, 20_000))
    path = tmp_path / "scope.csv"
    path.write_bytes(text.encode("latin-1"))
    with pytest.raises(DataError, match=words) as caught:
        recording_of([path], [], Settings())
    assert caught.value.where.startswith(f"{path}:")
    number = int(caught.value.where.rpartition(":")[2])
    # What no single line is to blame for names the first of its block.
    assert number == line or (words == "is no voltage" and number < 1500)
    assert caught.value.remedy


def test_a_missing_an_empty_and_a_huge_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "scope.csv"
    with pytest.raises(DataError, match="no such file"):
        recording_of([path], [], Settings())
    path.write_text("")
    with pytest.raises(DataError, match="empty"):
        recording_of([path], [], Settings())
    path.write_text(LAYOUTS["plain"]())
    monkeypatch.setattr(files, "MOST_BYTES", 1000)
    with pytest.raises(DataError, match="at most"):
        recording_of([path], [], Settings())
    with pytest.raises(DataError, match="directory"):
        recording_of([tmp_path], [], Settings())


def test_segments_without_end_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(samples, "MOST_SEGMENTS", 10)
    path = tmp_path / "scope.csv"
    path.write_text("Time (s),A (V),B (V)\n" + "0,0,0\n1e-6,1,1\n" * 20)
    with pytest.raises(DataError, match="more than 10 segments"):
        recording_of([path], [], Settings())


def test_files_of_different_channels_are_refused(tmp_path: Path) -> None:
    paths = [tmp_path / "a.csv", tmp_path / "b.csv"]
    paths[0].write_text(LAYOUTS["plain"]())
    paths[1].write_text(LAYOUTS["units_in_header"](), encoding="utf-8")
    with pytest.raises(DataError, match="Channel A"):
        recording_of(paths, [], Settings())


_FIELDS = st.sampled_from(
    [
        "0",
        "1e-6",
        "2e-6",
        "3.3",
        "-1",
        "nan",
        "inf",
        "∞",
        "",
        "Time",
        "(V)",
        "1e400",
        "#",
        '"',
        '"x',
        "-",
        "\r",
        "9" * 400,
    ]
)


@settings(max_examples=200, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    data=st.one_of(
        st.binary(max_size=300),
        st.lists(
            st.tuples(st.lists(_FIELDS, max_size=4), st.sampled_from([",", ";", "\t"])), min_size=1, max_size=30
        ).map(lambda lines: "\n".join(separator.join(fields) for fields, separator in lines).encode()),
    )
)
@example(data=b"1,2\n")
@example(data=b"Increment\n1e-320\n0,1\n1,2\n")
@example(data=b"Time,A\n0,1e308\n1,-1e308\n")
@example(data=b"Time,A\n-1e300,1\n1e300,0\n")
def test_whatever_is_in_a_file_is_read_or_explained(data: bytes, tmp_path: Path) -> None:
    path = tmp_path / "scope.csv"
    path.write_bytes(data)
    try:
        found = recording_of([path], [], Settings(glitch_ns=100))
    except DataError as error:
        assert error.remedy  # noqa: PT017
        return
    assert found.segments
    for segment in found.segments:
        for trace in segment.traces.values():
            assert trace.at_ns.size == trace.rising.size
            assert not trace.at_ns.size or 0 <= trace.at_ns.min() <= trace.at_ns.max() <= segment.length_ns + 1


@pytest.mark.parametrize("wrong", [1500, 1501, 2999])
@pytest.mark.parametrize("above", [0, 1, 7])
def test_the_line_is_counted_from_the_files_first(above: int, wrong: int, tmp_path: Path) -> None:
    """Whatever stands above the table: the sample after so many others is on the line an editor shows."""
    rows = [f"{n}e-6,{3.3 * (n // 8 % 2)}" for n in range(3000)]
    rows[wrong] = f"{wrong}e-6,abc"
    text = [*(f"# note {n}" for n in range(above)), "Time (s),CH1 (V)", *rows]
    path = tmp_path / "scope.csv"
    path.write_text("\n".join(text) + "\n")
    with pytest.raises(DataError, match="'abc' is no number") as caught:
        recording_of([path], [], Settings())
    assert text.index(rows[wrong]) + 1 == int(caught.value.where.rpartition(":")[2])
