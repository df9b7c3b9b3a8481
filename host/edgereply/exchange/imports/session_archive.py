"""The session archive of open logic-analyser software, by its published layout.

A ZIP with `version`, `metadata` (sections and keys) and, for a device, `logic-1-N` (samples of `unitsize` bytes, probe
n in bit n − 1, little-endian) and `analog-1-CHANNEL-N` (float32, little-endian), N numbering pieces from 1. Levels are
given only where they change: a long record of slow lines is read in the time that its bytes take.
"""

from __future__ import annotations

import configparser
import re
import zipfile
import zlib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np

from edgereply.errors import DataError
from edgereply.exchange.imports.csv_words import stated_interval_ns
from edgereply.exchange.imports.files import Progress, damaged
from edgereply.exchange.imports.samples import Cutter, SampleFile, Samples, TableLayout

ROWS: Final = 1 << 18
MOST_METADATA: Final = 1 << 20
BROKEN: Final = (ValueError, OSError, EOFError, zlib.error, zipfile.BadZipFile, KeyError, NotImplementedError)


def is_session(names: set[str]) -> bool:
    """Whether an archive with these members is one."""
    return {"version", "metadata"} <= names


def read_session(path: Path, interval_ns: float | None) -> list[SampleFile]:
    """The tables of an archive: logic levels, volts, or one of each.

    Args:
        path: of the file.
        interval_ns: between samples, in place of what the file says.

    Raises:
        DataError: no rate, no samples, or metadata that contradict themselves.
    """
    with zipfile.ZipFile(path) as packed:
        said = configparser.ConfigParser(interpolation=None, strict=False)
        try:
            said.read_string(packed.read("metadata")[:MOST_METADATA].decode("utf-8", "replace"))
        except configparser.Error as error:
            raise damaged(path, f"its metadata: {str(error).splitlines()[0]}") from error
        sizes = {item.filename: item.file_size for item in packed.infolist()}
    section = next(
        (name for name in said.sections() if "samplerate" in said[name] or "capturefile" in said[name]), None
    )
    if section is None:
        raise damaged(path, "its metadata name no device")
    device = said[section]
    stated = interval_ns or stated_interval_ns("samplerate", device.get("samplerate", ""))
    if not stated:
        raise DataError("its metadata state no rate", where=str(path), remedy="give it with --interval 24MHz")
    common: dict[str, Any] = {"time": None, "interval_ns": stated, "forced": interval_ns is not None, "row": "sample"}
    head = tuple(f"{key} = {value}" for key, value in device.items())[:6]
    found = []
    probes = {int(m[1]): name for key, name in device.items() if (m := re.fullmatch(r"probe(\d+)", key))}
    stem = device.get("capturefile", "")
    pieces = _pieces(sizes, stem) if stem else []
    if probes and pieces:
        width = int(device.get("unitsize", "1"))
        if not 1 <= width <= 8 or max(probes) > 8 * width or min(probes) < 1:
            raise damaged(path, f"{max(probes)} probes in samples of {width} bytes")
        channels = {name: (number - 1, 1.0) for number, name in sorted(probes.items())}
        layout = TableLayout(
            kind="logic session archive",
            channels=channels,
            logic=frozenset(channels),
            sparse=True,
            header=head,
            **common,
        )
        total = sum(sizes[name] for name in pieces)
        found.append(SampleFile(path, total, layout, lambda file, tell: _bits(file, pieces, width, total, tell)))
    analog = {int(m[1]): name for key, name in device.items() if (m := re.fullmatch(r"analog(\d+)", key))}
    parts = {number: _pieces(sizes, f"analog-1-{number}") for number in analog}
    columns = {number: names for number, names in parts.items() if names}
    if columns:
        channels = {analog[number]: (number, 1.0) for number in columns}
        layout = TableLayout(kind="analog session archive", channels=channels, header=head, **common)
        found.append(_analog(path, layout, columns, sum(sizes[n] for names in columns.values() for n in names)))
    if not found:
        raise DataError(
            "there are no samples in it", where=str(path), remedy="record again, with a channel switched on"
        )
    return found


def _pieces(sizes: Mapping[str, int], stem: str) -> list[str]:
    numbered = sorted(
        (int(name[len(stem) + 1 :]), name) for name in sizes if re.fullmatch(re.escape(stem) + r"-\d+", name)
    )
    return [name for _, name in numbered] or ([stem] if stem in sizes else [])


def _stream(path: Path, names: Sequence[str], width: int) -> Iterator[bytes]:
    with zipfile.ZipFile(path) as packed:
        for name in names:
            with packed.open(name) as file:
                while data := file.read(ROWS * width):
                    if len(data) % width:
                        raise ValueError(f"{name} ends in the middle of a sample")
                    yield data


def _analog(path: Path, layout: TableLayout, columns: Mapping[int, Sequence[str]], total: int) -> SampleFile:
    def samples(_: SampleFile, tell: Progress) -> Iterator[Samples]:
        cutter, done = Cutter(path, layout), 0
        streams = {number: _stream(path, names, 4) for number, names in columns.items()}
        try:
            while any(part := {number: next(stream, b"") for number, stream in streams.items()}.values()):
                if len(set(map(len, part))) > 1:
                    raise damaged(path, "its analog channels are cut into pieces of different lengths")
                values = {
                    n: np.frombuffer(data, "<f4").astype(np.float64) for n, data in zip(streams, part, strict=True)
                }
                yield from cutter.cut(done + 1, values)
                done += len(next(iter(values.values())))
                tell(min(total, done * 4 * len(columns)), total)
        except BROKEN as error:
            raise damaged(path, str(error)[:200]) from error

    return SampleFile(path, total, layout, samples)


def _bits(file: SampleFile, names: Sequence[str], width: int, total: int, tell: Progress) -> Iterator[Samples]:
    """The first and the last sample, and those that differ from the one before: the rest is known."""
    done, last = 0, None
    columns = file.layout.channels
    try:
        for data in _stream(file.path, names, width):
            raw = np.frombuffer(data, np.uint8).reshape(-1, width)
            word = np.zeros(raw.shape[0], np.uint64)
            for place in range(width):
                word |= raw[:, place].astype(np.uint64) << np.uint64(8 * place)
            turned = np.empty(word.size, np.bool_)
            turned[1:] = word[1:] != word[:-1]
            turned[0] = last is None or word[0] != last
            turned[-1] = True
            row, last = np.flatnonzero(turned), word[-1]
            levels = {
                name: ((word[row] >> np.uint64(bit)) & np.uint64(1)).astype(np.float64)
                for name, (bit, _) in columns.items()
            }
            yield Samples(0, (row + done).astype(np.float64), levels, done + 1)
            done += word.size
            tell(min(total, done * width), total)
    except BROKEN as error:
        raise damaged(file.path, str(error)[:200]) from error
