"""One known recording in each dialect that instruments and simulators write, made from the dialect's description.

Levels of two lines are given as changes in whole nanoseconds; a writer makes files of them and says how to read them.
"""

from __future__ import annotations

import gzip
import io
import struct
import zipfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray
from scipy.io import wavfile
from vcd import VCDWriter

from edgereply.exchange.imports.import_files import read
from edgereply.exchange.imports.recording import Recording
from edgereply.exchange.imports.waveforms import Settings

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Known:
    """Two lines that begin low: times of their changes, nanoseconds, rising first, and when the recording ends."""

    first: Sequence[int]
    second: Sequence[int]
    end: int

    def levels(self, at: NDArray[Any]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Both levels just after some times."""
        return tuple(np.searchsorted(np.array(line), at, "right") % 2 for line in (self.first, self.second))  # type: ignore[return-value]

    def changes(self) -> list[int]:
        """Times of all changes, with the beginning and the end."""
        return sorted({0, *self.first, *self.second, self.end})


@dataclass(slots=True)
class Files:
    """What a writer made."""

    paths: list[Path]
    time_files: list[Path] = field(default_factory=list)
    interval_ns: float | None = None
    resolution_ns: float | None = None

    def read(self) -> Recording:
        settings = Settings(interval_ns=self.interval_ns)
        return read(self.paths, [], settings, self.resolution_ns, time_files=self.time_files)


Writer = Callable[[Path, Known], Files]
STEP_NS = 1_000


def seconds(at_ns: int) -> str:
    """Nanoseconds as seconds with eight digits after the point: 10 ns."""
    return f"{at_ns // 10**9}.{at_ns % 10**9 // 10:08d}"


def text(path: Path, lines: Sequence[str]) -> Files:
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return Files([path])


# --- lists of changes -------------------------------------------------------------------------------------------------


def _change_rows(known: Known) -> list[str]:
    at = known.changes()
    return [f"{seconds(t)},{a},{b}" for t, a, b in zip(at, *known.levels(np.array(at)), strict=True)]


def change_list(place: Path, known: Known) -> Files:
    return text(place / "logic.csv", ["Time [s],D0,D1", *_change_rows(known)])


def change_list_with_unknown(place: Path, known: Known) -> Files:
    """Levels are unknown before the first row that tells; one row within names a floating line in between."""
    first, *rest = _change_rows(known)
    return text(place / "logic.csv", ["Time [s],D0,D1", first.partition(",")[0] + ",X,X", first, *rest])


def change_list_ends_blank(place: Path, known: Known) -> Files:
    return text(place / "logic.csv", ["Time [s],D0,D1", *_change_rows(known), ",,", ",,"])


def change_list_double_spaced(place: Path, known: Known) -> Files:
    rows = [row for line in ["Time [s],D0,D1", *_change_rows(known)] for row in (line, "")]
    return text(place / "logic.csv", rows)


def change_list_packed(place: Path, known: Known) -> Files:
    path = place / "logic.csv.gz"
    path.write_bytes(gzip.compress("\n".join(["Time [s],D0,D1", *_change_rows(known), ""]).encode()))
    return Files([path])


def change_list_a_channel_each(place: Path, known: Known) -> Files:
    """Each file has its own times; both hold the beginning and the end."""
    made = []
    for name, line in (("eye", known.first), ("coil", known.second)):
        at = sorted({0, *line, known.end})
        rows = [f"{seconds(t)},{n}" for t, n in zip(at, np.searchsorted(np.array(line), at, "right") % 2, strict=True)]
        made += text(place / f"{name}.csv", ["Time [s],Channel", *rows]).paths
    return Files(made)


def change_list_parquet(place: Path, known: Known) -> Files:
    """Times as dates of this century, in nanoseconds: more digits than a float has."""
    at = np.array(known.changes()) + 1_790_000_000_123_456_780
    levels = known.levels(np.array(known.changes()))
    table = {"when": pa.array(at, pa.timestamp("ns")), "D0": pa.array(levels[0] == 1), "D1": pa.array(levels[1] == 1)}
    pq.write_table(pa.table(table), place / "logic.parquet")
    return Files([place / "logic.parquet"])


def change_list_npz(place: Path, known: Known) -> Files:
    at = np.array(known.changes())
    first, second = (level.astype(np.uint8) for level in known.levels(at))
    np.savez(place / "logic.npz", time_us=at / 1e3, D0=first, D1=second)
    return Files([place / "logic.npz"])


def value_changes(place: Path, known: Known) -> Files:
    changes = sorted([(t, 0, n % 2 == 0) for n, t in enumerate(known.first)]
                     + [(t, 1, n % 2 == 0) for n, t in enumerate(known.second)])  # fmt: skip
    with (place / "a.vcd").open("w") as file, VCDWriter(file, timescale="1 ns", date="") as writer:
        lines = [writer.register_var("gate", name, "wire", size=1, init=0) for name in ("D0", "D1")]
        for at, line, level in changes:
            writer.change(lines[line], at, int(level))
        writer.close(known.end)
    return Files([place / "a.vcd"])


def value_changes_packed(place: Path, known: Known) -> Files:
    plain = value_changes(place, known).paths[0]
    path = place / "a.vcd.gz"
    path.write_bytes(gzip.compress(plain.read_bytes()))
    return Files([path])


# --- even logic samples -----------------------------------------------------------------------------------------------


def _samples(known: Known) -> NDArray[np.int64]:
    return np.arange(0, known.end + 1, STEP_NS)


def logic_samples(place: Path, known: Known) -> Files:
    at = _samples(known)
    rows = [f"{seconds(t)},{a},{b}" for t, a, b in zip(at.tolist(), *known.levels(at), strict=True)]
    return text(place / "logic.csv", ["Time (s),D0,D1", *rows])


def logic_samples_with_unknown(place: Path, known: Known) -> Files:
    """Every fiftieth sample of the first line is unknown where neither line changes about it."""
    at = _samples(known)
    first, second = known.levels(at)
    cells = [str(level) for level in first]
    for place_of in range(50, len(cells) - 1, 50):
        if first[place_of - 1] == first[place_of] == first[place_of + 1]:
            cells[place_of] = "X"
    rows = [f"{seconds(t)},{a},{b}" for t, a, b in zip(at.tolist(), cells, second, strict=True)]
    return text(place / "logic.csv", ["Time (s),D0,D1", *rows])


def logic_samples_rounded(place: Path, known: Known) -> Files:
    """A spreadsheet left three digits of each time; the header states the rate."""
    at = _samples(known)
    rows = [f"{t * 1e-9:.2E},{a},{b}" for t, a, b in zip(at.tolist(), *known.levels(at), strict=True)]
    return text(place / "logic.csv", ["Sample rate,1 MHz", "Time (s),D0,D1", *rows])


def logic_samples_npy(place: Path, known: Known) -> Files:
    np.save(place / "logic.npy", np.column_stack(known.levels(_samples(known))).astype(np.uint8))
    return Files([place / "logic.npy"], interval_ns=float(STEP_NS))


def session(place: Path, known: Known) -> Files:
    """Two pieces of 16-bit samples, the lines in bits 2 and 9."""
    first, second = known.levels(_samples(known))
    data = (first << 2 | second << 9).astype("<u2").tobytes()
    cut = len(data) // 4 * 2
    about = "[global]\n\n[device 1]\ncapturefile=logic-1\ntotal probes=2\nsamplerate=1 MHz\ntotal analog=0\n"
    about += "probe3=D0\nprobe10=D1\nunitsize=2\n"
    with zipfile.ZipFile(place / "capture", "w", zipfile.ZIP_DEFLATED) as packed:
        members = {"version": b"2", "metadata": about.encode(), "logic-1-2": data[cut:], "logic-1-1": data[:cut]}
        for name, content in members.items():
            packed.writestr(name, content)
    return Files([place / "capture"])


# --- volts ------------------------------------------------------------------------------------------------------------


def _volts(known: Known) -> tuple[Floats, Floats, Floats]:
    """Even samples of 3.3 V and 5 V pulses without noise: seconds, volts, volts."""
    at = _samples(known)
    first, second = known.levels(at)
    return (at * 1e-9).astype(np.float64), (first * 3.3).astype(np.float64), (second * 5.0).astype(np.float64)


def _rows(*columns: Floats, separator: str = ",", tail: str = "") -> list[str]:
    cells = [[f"{value:.10g}" for value in column] for column in columns]
    return [separator.join(line) + tail for line in zip(*cells, strict=True)]


def numbered_titles(place: Path, known: Known) -> Files:
    return text(place / "scope.csv", ["x-axis,1,2", "second,Volt,Volt", *_rows(*_volts(known))])


def units_in_words(place: Path, known: Known) -> Files:
    t, a, b = _volts(known)
    head = ["Zeit;Kanal A;Kanal B", "in ms;in mV;in V"]
    return text(place / "scope.csv", [*head, *_rows(t * 1e3, a * 1e3, b, separator=";")])


def header_lines(place: Path, known: Known) -> Files:
    """The header states the units: milliseconds, and a sample interval in them."""
    t, a, b = _volts(known)
    head = ["Source,CH1,CH2", "Horizontal Units,ms", "Vertical Units,mV,V", "Sample Interval,1.000000E-03", ""]
    return text(place / "scope.csv", [*head, *_rows(t * 1e3, a * 1e3, b)])


def header_beside(place: Path, known: Known) -> Files:
    """Two blocks side by side, each with its header left of its data and its own copy of the times."""
    t, a, b = _volts(known)
    beside = [("Record Length", "{n}"), ("Sample Interval", "1.0E-06"), ("Source", "{name}"), ("Vertical Units", "V"),
              ("Horizontal Units", "s")]  # fmt: skip
    rows = []
    for n, data in enumerate(zip(_rows(t, a), _rows(t, b), strict=True)):
        key, value = beside[n] if n < len(beside) else ("", "")
        blocks = [
            f"{key},{value.format(n=len(t), name=name)},,{part}"
            for name, part in zip(("CH1", "CH3"), data, strict=True)
        ]
        rows.append(",".join(blocks))
    return text(place / "scope.csv", rows)


def rounded_by_a_spreadsheet(place: Path, known: Known) -> Files:
    t, a, b = _volts(known)
    rows = [f"{when:.2E},{x:.2f},{y:.2f}" for when, x, y in zip(t, a, b, strict=True)]
    return text(place / "scope.csv", ["Sample Interval,1E-06,s", "Time (s),CH1 (V),CH2 (V)", *rows])


def blank_last_rows(place: Path, known: Known) -> Files:
    rows = [f"{when:+.3E},{x:.3f},{y:.3f}" for when, x, y in zip(*_volts(known), strict=True)]
    more = [f"{(known.end + STEP_NS) * 1e-9:+.3E},,", ",,", ",,"]
    return text(place / "scope.csv", ["Sample Interval,1E-06,s", "Time (s),CH1 (V),CH2 (V)", *rows, *more])


def separate_times(place: Path, known: Known) -> Files:
    t, a, b = _volts(known)
    made = text(place / "values.csv", ["CH1 (V);CH2 (V)", *_rows(a, b, separator=";")])
    text(place / "times.csv", ["Time (ms)", *_rows(t * 1e3)])
    return Files(made.paths, [place / "times.csv"])


def separate_times_in_arrays(place: Path, known: Known) -> Files:
    t, a, b = _volts(known)
    np.save(place / "values.npy", np.vstack([a, b]))
    np.save(place / "times.npy", t)
    return Files([place / "values.npy"], [place / "times.npy"])


def a_channel_each(place: Path, known: Known) -> Files:
    """The second file began 3 µs later on the same clock."""
    t, a, b = _volts(known)
    made = [text(place / "eye.csv", ["Time (s),Volt (V)", *_rows(t, a)]).paths[0]]
    made += text(place / "coil.csv", ["Time (s),Volt (V)", *_rows(t[3:], b[3:])]).paths
    return Files(made)


def array_with_times(place: Path, known: Known) -> Files:
    np.save(place / "a.npy", np.column_stack(_volts(known)))
    return Files([place / "a.npy"])


def arrays_with_a_rate(place: Path, known: Known) -> Files:
    _, a, b = _volts(known)
    np.savez_compressed(place / "a.npz", CH1=a, CH2=b.astype(np.float32), fs=1e6)
    return Files([place / "a.npz"])


def parquet_in_microseconds(place: Path, known: Known) -> Files:
    t, a, b = _volts(known)
    pq.write_table(pa.table({"time_us": t * 1e6, "CH1 (V)": a, "CH2 (mV)": b * 1e3}), place / "a.parquet")
    return Files([place / "a.parquet"])


def wav(place: Path, known: Known) -> Files:
    _, a, b = _volts(known)
    data = np.column_stack([a / 5, b / 6])
    wavfile.write(place / "a.wav", 1_000_000, (data * 30_000).astype(np.int16))
    return Files([place / "a.wav"])


def wav_of_24_bits(place: Path, known: Known) -> Files:
    """Written byte by byte: what a library cannot map into memory."""
    _, a, b = _volts(known)
    words = (np.column_stack([a / 5, b / 6]) * 8e6).astype("<i4").reshape(-1)
    body = words.view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
    head = b"fmt " + struct.pack("<IHHIIHH", 16, 1, 2, 1_000_000, 6_000_000, 6, 24)
    data = b"data" + struct.pack("<I", len(body)) + body
    (place / "a.wav").write_bytes(b"RIFF" + struct.pack("<I", 4 + len(head) + len(data)) + b"WAVE" + head + data)
    return Files([place / "a.wav"])


def analog_session(place: Path, known: Known) -> Files:
    _, a, b = _volts(known)
    about = "[global]\n[device 1]\nsamplerate=1000 kHz\ntotal analog=2\nanalog1=A0\nanalog2=A1\n"
    half = len(a) // 2
    with zipfile.ZipFile(place / "capture", "w") as packed:
        packed.writestr("version", "2")
        packed.writestr("metadata", about)
        for number, values in ((1, a), (2, b)):
            for piece, part in enumerate((values[:half], values[half:]), 1):
                packed.writestr(f"analog-1-{number}-{piece}", part.astype("<f4").tobytes())
    return Files([place / "capture"])


def mixed_session(place: Path, known: Known) -> Files:
    """The first line in bit 0 of the logic levels, the second as volts."""
    first, _ = known.levels(_samples(known))
    _, _, b = _volts(known)
    about = "[global]\n[device 1]\ncapturefile=logic-1\nsamplerate=1000000\ntotal probes=1\nprobe1=D0\nunitsize=1\n"
    with zipfile.ZipFile(place / "capture", "w") as packed:
        packed.writestr("version", "2")
        packed.writestr("metadata", about + "total analog=1\nanalog2=A0\n")
        packed.writestr("logic-1", first.astype(np.uint8).tobytes())
        packed.writestr("analog-1-2-1", b.astype("<f4").tobytes())
    return Files([place / "capture"])


def node_voltages(place: Path, known: Known) -> Files:
    """A circuit simulator: steps of 5 µs where nothing happens, of 10 ns about each edge of 20 ns."""
    at = np.unique(np.concatenate([np.arange(0, known.end, 5_000), *(
        np.array(line)[:, None] + np.arange(-30, 31, 10) for line in (known.first, known.second)
    )], axis=None))  # fmt: skip
    at = at[at >= 0]
    columns = [at * 1e-9]
    for line, high in ((known.first, 3.3), (known.second, 5.0)):
        moments = [t + d for t in line for d in (-10, 10)]
        shape = [high * (n // 2 % 2 == 0) if n % 2 else high * (n // 2 % 2) for n in range(len(moments))]
        columns.append(np.interp(at, moments, shape))
    lines = [f"{t:.8e}\t{a:.6e}\t{b:.6e}" for t, a, b in zip(*columns, strict=True)]
    return text(place / "sim.txt", ["time\tv(s)\tv(r)", *lines])


def envelope(place: Path, known: Known) -> Files:
    """Two rows a microsecond: the least and the greatest value of what ten samples were, in whichever order."""
    at = np.arange(0, (known.end // STEP_NS) * STEP_NS, 100)
    rows = []
    volts = [level.reshape(-1, 10) * high for level, high in zip(known.levels(at), (3.3, 5.0), strict=True)]
    for n in range(len(volts[0])):
        pair = [(v[n].min(), v[n].max()) for v in volts]
        rows += [f"{n}e-06,{pair[0][k]:.2f},{pair[1][k]:.2f}" for k in (0, 1)]
    return text(place / "scope.csv", ["Time (s),CH1 (V),CH2 (V)", *rows])


def packed_text(place: Path, known: Known) -> Files:
    stream = io.BytesIO()
    with gzip.GzipFile(fileobj=stream, mode="wb") as file:
        file.write("\n".join(["Time (s),CH1 (V),CH2 (V)", *_rows(*_volts(known)), ""]).encode())
    (place / "scope.csv.gz").write_bytes(stream.getvalue())
    return Files([place / "scope.csv.gz"])


LISTS: Mapping[str, Writer] = {
    made.__name__: made
    for made in (
        change_list, change_list_with_unknown, change_list_ends_blank, change_list_double_spaced, change_list_packed,
        change_list_a_channel_each, change_list_parquet, change_list_npz, value_changes, value_changes_packed,
    )
}  # fmt: skip
SAMPLES: Mapping[str, Writer] = {
    made.__name__: made
    for made in (
        logic_samples, logic_samples_with_unknown, logic_samples_rounded, logic_samples_npy, session, numbered_titles,
        units_in_words, header_lines, header_beside, rounded_by_a_spreadsheet, blank_last_rows, separate_times,
        separate_times_in_arrays, a_channel_each, array_with_times, arrays_with_a_rate, parquet_in_microseconds, wav,
        wav_of_24_bits, analog_session, mixed_session, node_voltages, envelope, packed_text,
    )
}  # fmt: skip
