"""Recordings that are no text: arrays (NumPy, Parquet) and WAV.

Each becomes a table like that of a text, its columns numbered in the file's order. Arrays say by their names which of
them is the time (or the first one that rises throughout is taken), and a single number beside them may state the rate;
a WAV states its rate. NumPy, pyarrow and SciPy read the files.
"""

from __future__ import annotations

import warnings
import zipfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from scipy.io import wavfile

from edgereply.errors import DataError, HostError
from edgereply.exchange.imports.csv_words import (
    TIME_UNITS,
    VOLT_UNITS,
    bare_unit,
    means_time,
    split_unit,
    stated_interval_ns,
)
from edgereply.exchange.imports.files import MOST_BYTES, Progress, check_file, damaged, head_of, is_packed, no_progress
from edgereply.exchange.imports.samples import TIME_APART, Cutter, SampleFile, Samples, TableLayout, Times
from edgereply.exchange.imports.session_archive import is_session, read_session

# Arrays of a compressed archive are held in memory.
MOST_UNPACKED: Final = 4 << 30
MOST_COLUMNS: Final = 64
ROWS: Final = 1 << 18
_HEAD: Final = 1000

Array = np.ndarray[Any, np.dtype[Any]]


def is_binary(path: Path) -> bool:
    """Whether a file is one of these, by its first bytes."""
    head = head_of(path, 12)
    return head.startswith((b"\x93NUMPY", b"PK\x03\x04", b"PAR1")) or _is_wav(head)


def open_binary(path: Path, interval_ns: float | None = None, times: Times | None = None) -> list[SampleFile]:
    """The tables of such a file; an archive may have one of logic levels and one of volts.

    Args:
        path: of the file.
        interval_ns: between samples, in place of what the file says.
        times: of each sample, nanoseconds, where they stand in a file of their own.

    Raises:
        DataError: it is damaged, too large, has no time axis or no channel.
    """
    check_file(path)
    head = head_of(path, 12)
    if is_packed(path):
        raise DataError("of packed files only CSV and VCD are read", where=str(path), remedy="unpack it with gunzip")
    try:
        if head.startswith(b"PK"):
            with zipfile.ZipFile(path) as packed:
                names = set(packed.namelist())
                if sum(item.file_size for item in packed.infolist()) > MOST_BYTES:
                    raise damaged(path, "it unpacks to more than 16 GiB")
            if is_session(names):
                return read_session(path, interval_ns)
            if not names or not all(name.endswith(".npy") for name in names):
                raise damaged(path, "a ZIP archive, but neither arrays (.npz) nor a session of logic-analyser software")
            return [_arrays(path, "NumPy archive", *_npz(path), interval_ns, times)]
        if head.startswith(b"PAR1"):
            return [_parquet(path, interval_ns, times)]
        if _is_wav(head):
            return [_wav(path, interval_ns, times)]
        array = np.load(path, mmap_mode="r", allow_pickle=False)
        return [_arrays(path, "NumPy file", _columns_of(path, "column", array), {}, interval_ns, times)]
    except HostError:
        raise
    except Exception as error:  # at a damaged file the libraries raise what they happen to stumble over
        raise damaged(path, str(error).splitlines()[0][:200] if str(error) else type(error).__name__) from error


def array_times(path: Path) -> Times:
    """Times in an array of their own, seconds unless its name says otherwise.

    Raises:
        DataError: it is no array of one dimension.
    """
    file = open_binary(path, interval_ns=1.0)[0]
    if list(file.layout.channels.values()) != [(0, 1.0)]:
        raise damaged(path, f"{len(file.layout.channels)} columns, not one of times")
    (name,) = file.layout.channels
    parts = [part.values[name] for part in file.read(no_progress)]
    return Times(path, np.concatenate(parts) * 1e9, 1e9)


def _is_wav(head: bytes) -> bool:
    return head[:4] in (b"RIFF", b"RF64") and head[8:12] == b"WAVE"


def _columns_of(path: Path, name: str, array: Array) -> dict[str, Array]:
    """An array of one or two dimensions, or one with named fields, as columns."""
    if array.dtype.names:
        return {field: array[field] for field in array.dtype.names}
    if array.ndim == 1:
        return {name: array}
    if array.ndim != 2 or not array.size:
        raise damaged(path, f"an array of {array.ndim} dimensions and {array.size} values, not samples by channels")
    # Samples are more than channels, whichever way the array lies.
    table = array if array.shape[0] >= array.shape[1] else array.T
    return {f"{name} {number + 1}": table[:, number] for number in range(table.shape[1])}


def _npz(path: Path) -> tuple[dict[str, Array], dict[str, float]]:
    """Columns, and single numbers such as an interval."""
    columns: dict[str, Array] = {}
    numbers: dict[str, float] = {}
    with np.load(path, allow_pickle=False) as packed, zipfile.ZipFile(path) as archive:
        if sum(item.file_size for item in archive.infolist()) > MOST_UNPACKED:
            raise damaged(path, "it unpacks to more than 4 GiB")
        for name in packed.files:
            array = packed[name]
            if array.size == 1 and array.dtype.kind in "iuf":
                numbers[name] = float(array.reshape(-1)[0])
            elif array.dtype.kind in "biufmM" or array.dtype.names:
                columns |= _columns_of(path, name, array)
    return columns, numbers


def _stated(numbers: Mapping[str, float]) -> float | None:
    """The interval that a number beside the arrays states."""
    for name, number in numbers.items():
        key = {"fs": "sampling rate", "rate": "sampling rate", "sr": "sampling rate"}.get(name.lower(), name)
        base, _, unit = key.rpartition("_")
        for said, suffix in ((key, ""), (base, unit)):
            found = stated_interval_ns(said, f"{number!r} {suffix}".strip())
            if found is not None:
                return found
    return None


def _plan(
    path: Path, kind: str, names: Sequence[str], heads: Mapping[str, Array], interval_ns: float | None,
    stated_ns: float | None, apart: Times | None,
) -> TableLayout:  # fmt: skip
    """What the columns are, by their names and first values."""
    if len(names) > MOST_COLUMNS:
        raise damaged(path, f"{len(names)} columns, at most {MOST_COLUMNS} are read")
    split = {name: split_unit(name) for name in names}
    usable = [name for name in names if heads[name].dtype.kind in "biufmM"]
    time = None
    if apart is None:
        named = [n for n in usable if bare_unit(split[n][1]) in TIME_UNITS or means_time(split[n][0])]
        dated = [n for n in usable if heads[n].dtype.kind in "mM"]
        first = [n for n in usable[:1] if len(usable) > 1 and _rises(heads[n])]
        time = next(iter([*named, *dated, *first]), None)
    doubts = []
    unit_ns = TIME_UNITS.get(bare_unit(split[time][1]), 0.0) if time else 1e9
    if time and heads[time].dtype.kind in "mM":
        unit_ns = 1.0
    elif not unit_ns:
        unit_ns = 1e9
        doubts.append("no unit of time is written: seconds are taken")
    if time is None and apart is None and not (interval_ns or stated_ns):
        raise DataError(
            "there is no time axis: no column of times, and no rate is stated", where=str(path),
            remedy="give the rate with --interval 2MHz, or the times with --time-file",
        )  # fmt: skip
    channels: dict[str, tuple[int, float]] = {}
    logic, bare = set(), []
    for name in usable:
        if name == time:
            continue
        title, unit = split[name]
        channels[title] = list(names).index(name), VOLT_UNITS.get(bare_unit(unit), 1.0)
        if heads[name].dtype.kind in "biu" and np.all((heads[name] == 0) | (heads[name] == 1)):
            logic.add(title)
        elif bare_unit(unit) not in VOLT_UNITS:
            bare.append(title)
    if not channels:
        raise DataError("there is no channel beside the time", where=str(path), remedy="export a channel too")
    doubts += [f"no unit of volts is written for {', '.join(bare)}: volts are taken"] if bare else []
    return TableLayout(
        kind=kind, time=TIME_APART if apart else None if time is None else list(names).index(time),
        channels=channels, logic=frozenset(logic), unit_ns=apart.unit_ns if apart else unit_ns,
        digits=apart.digits if apart else None, interval_ns=interval_ns or stated_ns or 0.0,
        forced=interval_ns is not None, row="row", doubts=tuple(doubts),
    )  # fmt: skip


def _rises(head: Array) -> bool:
    return head.size > 2 and bool(np.all(head[1:] > head[:-1]))


def table_file(
    path: Path, layout: TableLayout, pieces: Callable[[], Iterator[Mapping[int, Array]]], rows: int, times: Times | None
) -> SampleFile:
    """A table that comes in pieces of columns by their number."""
    size = check_file(path)
    if times is not None:
        times.check(path, rows)

    def samples(_: SampleFile, tell: Progress) -> Iterator[Samples]:
        cutter, done = Cutter(path, layout), 0
        try:
            for piece in pieces():
                columns = {}
                for number, values in piece.items():
                    if number == layout.time:
                        values = _whole(values)
                        values = (
                            values - values.dtype.type(layout.origin_ns // int(layout.unit_ns))
                            if layout.origin_ns
                            else values
                        )
                    columns[number] = np.ascontiguousarray(values).astype(np.float64)
                count = len(next(iter(columns.values())))
                if times is not None:
                    columns[TIME_APART] = times.at_ns[done : done + count] / times.unit_ns
                if layout.time is not None and np.isnan(columns[layout.time]).any():
                    raise damaged(path, f"a time near row {done + 1} is not a number")
                yield from cutter.cut(done + 1, columns)
                done += count
                tell(size * done // max(1, rows), size)
        except HostError:
            raise
        except Exception as error:  # as above
            raise damaged(path, str(error)[:200]) from error

    return SampleFile(path, size, layout, samples)


def _arrays(
    path: Path, kind: str, columns: dict[str, Array], numbers: Mapping[str, float], interval_ns: float | None,
    times: Times | None,
) -> SampleFile:  # fmt: skip
    lengths = {array.size for array in columns.values()}
    if len(lengths) != 1 or not columns or 0 in lengths:
        sizes = ", ".join(f"{name} {array.size:,}" for name, array in list(columns.items())[:8])
        raise damaged(path, f"its arrays have no common length ({sizes or 'none of numbers'})")
    names, rows = list(columns), lengths.pop()
    heads = {name: array[:_HEAD] for name, array in columns.items()}
    layout = _plan(path, kind, names, heads, interval_ns, _stated(numbers), times)
    wanted = _wanted(layout)

    def pieces() -> Iterator[Mapping[int, Array]]:
        for start in range(0, rows, ROWS):
            yield {number: columns[names[number]][start : start + ROWS] for number in wanted}

    if layout.time is not None and layout.time >= 0:
        layout = _from_first(layout, heads[names[layout.time]])
    return table_file(path, layout, pieces, rows, times)


def _wanted(layout: TableLayout) -> list[int]:
    own = [layout.time] if layout.time is not None and layout.time >= 0 else []
    return [column for column, _ in layout.channels.values()] + own


def _whole(values: Array) -> Array:
    """Dates and spans of time as whole nanoseconds; anything else as it is."""
    return values.astype(f"{values.dtype.kind}8[ns]").astype(np.int64) if values.dtype.kind in "mM" else values


def _from_first(layout: TableLayout, first: Array) -> TableLayout:
    """Times in whole numbers are counted from the first: nanoseconds since 1970 would not fit into a float."""
    first = _whole(first)
    if first.dtype.kind not in "iu" or layout.unit_ns < 1:
        return layout
    return replace(layout, origin_ns=int(first[0]) * int(layout.unit_ns))


def _parquet(path: Path, interval_ns: float | None, times: Times | None) -> SampleFile:
    table = pq.ParquetFile(path)
    names, rows = list(table.schema_arrow.names), table.metadata.num_rows
    if not rows:
        raise damaged(path, "it has no rows")

    def batches(size: int) -> Iterator[dict[str, Array]]:
        for batch in pq.ParquetFile(path).iter_batches(batch_size=size):
            found = {}
            for name, column in zip(names, batch.columns, strict=True):
                if pa.types.is_decimal(column.type):
                    column = column.cast(pa.float64())
                found[name] = column.to_numpy(zero_copy_only=False)
            yield found

    heads = next(batches(_HEAD))
    layout = _plan(path, "Parquet file", names, heads, interval_ns, None, times)
    if layout.time is not None and layout.time >= 0:
        layout = _from_first(layout, heads[names[layout.time]])

    def pieces() -> Iterator[Mapping[int, Array]]:
        for batch in batches(ROWS):
            yield {number: batch[names[number]] for number in _wanted(layout)}

    return table_file(path, layout, pieces, rows, times)


def _wav(path: Path, interval_ns: float | None, times: Times | None) -> SampleFile:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            rate, data = wavfile.read(path, mmap=True)
        except ValueError:
            rate, data = wavfile.read(path)
    if not data.size or rate <= 0:
        raise damaged(path, "it has no samples, or no rate")
    kind = data.dtype
    middle, full = (
        (128.0, 128.0) if kind == np.uint8 else (0.0, 1.0 if kind.kind == "f" else float(2 ** (8 * kind.itemsize - 1)))
    )
    table = data.reshape(data.shape[0], -1)
    names = [f"channel {number + 1}" for number in range(table.shape[1])]
    heads = {name: table[:_HEAD, number].astype(np.float64) for number, name in enumerate(names)}
    layout = _plan(path, "WAV", names, heads, interval_ns, 1e9 / rate, times)
    doubt = (
        "a WAV has no volts: levels are parts of full scale; an input that lets no constant level through (a sound "
        "card) bends long pulses"
    )
    layout = replace(
        layout, time=None if times is None else TIME_APART, unit="FS", topics={"rate": f"{rate:,} Hz"}, doubts=(doubt,)
    )

    def pieces() -> Iterator[Mapping[int, Array]]:
        for start in range(0, table.shape[0], ROWS):
            part = table[start : start + ROWS].astype(np.float64)
            yield {number: (part[:, number] - middle) / full for number in range(table.shape[1])}

    return table_file(path, layout, pieces, table.shape[0], times)
