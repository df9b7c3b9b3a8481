"""Files that are no text, files in several parts, and what is said where they are damaged or do not fit together."""

from __future__ import annotations

import gzip
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from edgereply.errors import DataError, HostError, SettingError
from edgereply.exchange.imports import binary_files, files
from edgereply.exchange.imports.import_files import read
from edgereply.exchange.imports.waveforms import Settings
from tests.unit.host.exchange.imports.dialects import LISTS, SAMPLES, Known

KNOWN = Known([100_000, 160_000, 400_000, 470_000], [128_000, 190_000, 431_000, 515_000], 800_000)


def archive(path: Path, metadata: str, **members: bytes) -> Path:
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr("version", "2")
        packed.writestr("metadata", metadata)
        for name, content in members.items():
            packed.writestr(name.replace("_", "-"), content)
    return path


DEVICE = "[device 1]\ncapturefile=logic-1\nsamplerate=1 MHz\nunitsize=1\nprobe1=A\nprobe2=B\n"


def _npy(place: Path) -> Path:
    np.save(place / "a.npy", np.zeros((3, 4, 5)))
    return place / "a.npy"


def _objects(place: Path) -> Path:
    np.save(place / "a.npy", np.array([{}, 1], object), allow_pickle=True)
    return place / "a.npy"


def _no_rate(place: Path) -> Path:
    np.save(place / "a.npy", np.tile([0.0, 1.0, 0.5], (100, 2)))
    return place / "a.npy"


def _uneven(place: Path) -> Path:
    np.savez(place / "a.npz", A=np.zeros(5), B=np.zeros(6), fs=1.0)
    return place / "a.npz"


def _other_zip(place: Path) -> Path:
    with zipfile.ZipFile(place / "a.zip", "w") as packed:
        packed.writestr("letter.txt", "dear reader")
    return place / "a.zip"


def _words(place: Path) -> Path:
    pq.write_table(pa.table({"time": [0.0, 1.0, 2.0], "said": ["a", "b", "c"]}), place / "a.parquet")
    return place / "a.parquet"


def _empty(place: Path) -> Path:
    pq.write_table(pa.table({"time": pa.array([], pa.float64())}), place / "a.parquet")
    return place / "a.parquet"


def _holes(place: Path) -> Path:
    pq.write_table(pa.table({"time": [0.0, None, 2.0, 3.0], "A (V)": [0.0, 1.0, 2.0, 0.0]}), place / "a.parquet")
    return place / "a.parquet"


def _cut(dialect: str, part: float) -> Callable[[Path], Path]:
    def make(place: Path) -> Path:
        path = {**LISTS, **SAMPLES}[dialect](place, KNOWN).paths[0]
        path.write_bytes(path.read_bytes()[: int(path.stat().st_size * part)])
        return path

    return make


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (_npy, "3 dimensions"),
        (_objects, "cannot be read"),
        (_no_rate, "no time axis: no column of times, and no rate"),
        (_uneven, "no common length"),
        (_other_zip, "neither arrays"),
        (_words, "no channel beside the time"),
        (_empty, "no rows"),
        (_holes, "not a number"),
        (_cut("array_with_times", 0.5), "cannot be read"),
        (_cut("parquet_in_microseconds", 0.5), "cannot be read"),
        (_cut("session", 0.5), "cannot be read"),
        (_cut("wav", 0.005), "cannot be read"),
        (_cut("change_list_packed", 0.5), "gzip file is damaged"),
        (_cut("value_changes_packed", 0.8), "gzip file is damaged"),
        (lambda place: archive(place / "a", "no sections"), "cannot be read"),
        (lambda place: archive(place / "a", "[global]\n"), "no device"),
        (lambda place: archive(place / "a", DEVICE.replace("1 MHz", "fast"), logic_1=b"\0\1"), "state no rate"),
        (lambda place: archive(place / "a", DEVICE), "no samples"),
        (lambda place: archive(place / "a", DEVICE.replace("probe2", "probe9"), logic_1=b"\0\1"), "9 probes"),
        (lambda place: archive(place / "a", DEVICE.replace("=1\n", "=2\n"), logic_1_1=b"\0\1\2"), "middle of a sample"),
        (lambda place: archive(place / "a", DEVICE.replace("unitsize=1", "unitsize=many"), logic_1=b"\0"), "many"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_explained(make: Callable[[Path], Path], words: str, tmp_path: Path) -> None:
    path = make(tmp_path)
    with pytest.raises(DataError, match=words) as caught:
        read([path], [], Settings())
    assert caught.value.where.startswith(str(path))
    assert caught.value.remedy


def test_a_packed_file_may_not_grow_without_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.csv.gz"
    path.write_bytes(gzip.compress(b"Time [s],D0,D1\n" + b"0.1,0,1\n" * 5_000))
    assert path.stat().st_size < 1_000
    monkeypatch.setattr(files, "MOST_BYTES", 10_000)
    with pytest.raises(DataError, match="unpacks to more than"):
        read([path], [], Settings())
    np.savez_compressed(tmp_path / "a.npz", A=np.zeros(100_000), fs=1.0)
    monkeypatch.setattr(binary_files, "MOST_UNPACKED", 10_000)
    with pytest.raises(DataError, match="unpacks to more than"):
        read([tmp_path / "a.npz"], [], Settings())


def test_a_packed_array_is_not_guessed_at(tmp_path: Path) -> None:
    (tmp_path / "a.npy.gz").write_bytes(gzip.compress(_no_rate(tmp_path).read_bytes()))
    with pytest.raises(DataError, match="only CSV and VCD"):
        read([tmp_path / "a.npy.gz"], [], Settings())


@pytest.mark.parametrize("dialect", ["separate_times", "separate_times_in_arrays"])
@pytest.mark.parametrize("more", [True, False])
def test_times_that_do_not_belong_to_the_values_are_refused(dialect: str, more: bool, tmp_path: Path) -> None:
    made = SAMPLES[dialect](tmp_path, KNOWN)
    (times,) = made.time_files
    if times.suffix == ".npy":
        at = np.load(times)
        np.save(times, np.append(at, at[-1] + 1e-6) if more else at[:-1])
    else:
        lines = times.read_text().splitlines()
        times.write_text("\n".join([*lines, "0.801"] if more else lines[:-1]) + "\n")
    with pytest.raises(DataError, match=f"has {802 if more else 800} times") as caught:
        made.read()
    assert caught.value.where == str(made.paths[0])


def test_as_many_files_of_times_as_files(tmp_path: Path) -> None:
    made = SAMPLES["separate_times"](tmp_path, KNOWN)
    made.time_files *= 2
    with pytest.raises(SettingError, match="2 files of times for 1 files"):
        made.read()


def test_a_file_of_times_alone_says_what_it_is_for(tmp_path: Path) -> None:
    made = SAMPLES["separate_times"](tmp_path, KNOWN)
    with pytest.raises(DataError, match="no channel beside the time") as caught:
        read(made.time_files, [], Settings())
    assert "--time-file" in caught.value.remedy


def test_a_half_blank_row_is_left_out_at_the_end_only(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    rows = [f"{n}e-6,{3.3 * (n % 40 >= 20):.1f},{5.0 * (n % 40 >= 25):.1f}" for n in range(200)]
    path.write_text("\n".join(["Time (s),A (V),B (V)", *rows, "200e-6,0,", "201e-6,,"]))
    found = read([path], [], Settings())
    assert found.segments[0].samples == 200
    assert any("2 rows without values" in doubt for doubt in found.doubts)
    path.write_text("\n".join(["Time (s),A (V),B (V)", *rows, "200e-6,0,", "201e-6,0,0", ""]))
    with pytest.raises(DataError, match="line 202: '' is no number for B"):
        read([path], [], Settings())


def test_two_time_axes_that_differ_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("t1 (s),A (V),t2 (s),B (V)\n" + "".join(f"{n}e-6,{n % 2},{n}.5e-6,{n % 2}\n" for n in range(50)))
    with pytest.raises(DataError, match="columns 1 and 3 are times that differ"):
        read([path], [], Settings())


def test_a_list_of_changes_in_volts_is_refused(tmp_path: Path) -> None:
    generator = np.random.default_rng(2)
    at = np.cumsum(generator.integers(1_000, 90_000, 200))
    path = tmp_path / "a.csv"
    path.write_text("Time (s),A (V)\n" + "".join(f"{t}e-9,{3.3 * (n % 2)}\n" for n, t in enumerate(at)))
    with pytest.raises(DataError, match="two values only"):
        read([path], [], Settings())


def test_even_samples_with_a_gap_are_refused(tmp_path: Path) -> None:
    rows = [f"{n + 5_000 * (n > 500)}e-6,{int(n % 40 > 20)}\n" for n in range(1_000)]
    path = tmp_path / "a.csv"
    path.write_text("Time (s),D0\n" + "".join(rows))
    with pytest.raises(DataError, match="line 503: time leaps") as caught:
        read([path], [], Settings())
    assert caught.value.where == f"{path}:503"


def test_a_channel_that_stays_between_its_states_does_not_hide_the_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("edgereply.exchange.imports.crossings.MOST_CARRIED", 150)
    middle = [0.0, 3.3] * 5 + [1.65] * 190
    rows = [f"{n}e-6,{3.3 * (n % 40 >= 20):.1f},{middle[n]}" for n in range(200)]
    (tmp_path / "a.csv").write_text("\n".join(["Time (s),A (V),B (V)", *rows, ""]))
    found = read([tmp_path / "a.csv"], [], Settings(levels={"B": (0.0, 3.3)}))
    assert found.edges("A") == 9
    assert any("B: it stays between its two states" in doubt for doubt in found.doubts)


@pytest.mark.parametrize("dialect", ["change_list", "session"])
def test_levels_in_volts_do_not_go_with_logic(dialect: str, tmp_path: Path) -> None:
    made = {**LISTS, **SAMPLES}[dialect](tmp_path, KNOWN)
    with pytest.raises(HostError) as caught:
        read(made.paths, [], Settings(levels={"D0": (0.0, 1.0)}))
    assert caught.value.exit_code == 2


def test_a_resolution_goes_with_changes_only(tmp_path: Path) -> None:
    for dialect in ("session", "logic_samples", "numbered_titles"):
        made = SAMPLES[dialect](tmp_path, KNOWN)
        with pytest.raises(SettingError) as caught:
            read(made.paths, [], Settings(), 100.0)
        assert caught.value.where == "--resolution"


def test_a_session_is_as_long_as_its_samples(tmp_path: Path) -> None:
    data = bytes([0] * 10 + [1] * 5 + [3] * 5 + [0] * 980)
    found = read([archive(tmp_path / "a", DEVICE, logic_1=data)], [], Settings())
    (segment,) = found.segments
    assert segment.samples == 1_000
    assert segment.length_ns == 999_000
    assert segment.traces["A"].at_ns.tolist() == [9_500, 19_500]
    assert segment.traces["B"].at_ns.tolist() == [14_500, 19_500]


_BYTES = [
    {**LISTS, **SAMPLES}[name]
    for name in ("session", "analog_session", "array_with_times", "arrays_with_a_rate", "wav", "change_list_parquet",
                 "change_list_packed")
]  # fmt: skip


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    which=st.integers(0, len(_BYTES) - 1), hits=st.lists(st.tuples(st.floats(0, 1), st.integers(0, 255)), max_size=4)
)
@example(which=0, hits=[(0.0, 0)])
@example(which=4, hits=[(0.078125, 0)])
@example(which=4, hits=[(0.0625, 1)])
@example(which=2, hits=[(0.04380881164465356, 0)])
def test_a_damaged_file_is_read_or_explained(which: int, hits: list[tuple[float, int]], tmp_path: Path) -> None:
    small = Known([20_000, 32_000], [25_000, 40_000], 60_000)
    path = _BYTES[which](tmp_path, small).paths[0]
    data = bytearray(path.read_bytes())
    for where, value in hits:
        data[int(where * (len(data) - 1))] = value
    path.unlink()
    path.write_bytes(data)
    try:
        found = read([path], [], Settings())
    except HostError as error:
        assert error.remedy  # noqa: PT017
        return
    for segment in found.segments:
        for trace in segment.traces.values():
            assert trace.at_ns.size == trace.rising.size
            assert not trace.at_ns.size or 0 <= trace.at_ns.min() <= trace.at_ns.max() <= segment.length_ns + 1


def test_changes_drawn_as_steps_are_no_envelope(tmp_path: Path) -> None:
    """Each change stands twice, before and after: two rows a time, at irregular times."""
    at = np.cumsum(np.random.default_rng(2).integers(1_000, 90_000, 200))
    rows = [f"{t}e-9,{3.3 * (level % 2)}\n" for n, t in enumerate(at) for level in (n, n + 1)]
    path = tmp_path / "a.csv"
    path.write_text("Time (s),A (V)\n" + "".join(rows))
    with pytest.raises(DataError, match="two rows stand at each time, and the times are irregular"):
        read([path], [], Settings())


class _Harm:
    """What a pickle may do when it is loaded."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def __reduce__(self) -> tuple[Callable[[Path], None], tuple[Path]]:
        return Path.touch, (self._path,)


def test_nothing_in_an_array_is_carried_out(tmp_path: Path) -> None:
    for save, name in ((np.save, "a.npy"), (np.savez, "a.npz")):
        harm = tmp_path / f"harm of {name}"
        save(tmp_path / name, np.array([_Harm(harm)], object))
        with pytest.raises(DataError, match="cannot be read"):
            read([tmp_path / name], [], Settings())
        assert not harm.exists()


def test_levels_and_volts_of_one_archive_belong_together(tmp_path: Path) -> None:
    volts = np.repeat([0.0, 3.3, 0.0], 10).astype("<f4").tobytes()
    levels = {"logic_1": bytes([0] * 5 + [3] * 25), "analog_1_3_1": volts}
    found = read([archive(tmp_path / "a", DEVICE + "analog3=C\n", **levels)], [], Settings())
    assert {name: found.edges(name) for name in found.channels} == {"A": 1, "B": 1, "C": 2}
