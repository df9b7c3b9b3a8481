"""Targets for files that other people and other instruments wrote: recordings, a meter's log, bundles."""

from __future__ import annotations

import contextlib
import functools
import gzip
import io
import shutil
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from scipy.io import wavfile

from edgereply.errors import HostError
from edgereply.exchange.bundle.check import verify
from edgereply.exchange.bundle.manifest import MANIFEST
from edgereply.exchange.bundle.unpack import unpack
from edgereply.exchange.imports.accept import Labels
from edgereply.exchange.imports.import_files import Wanted, look, read
from edgereply.exchange.imports.power_log import read_power_log
from edgereply.exchange.imports.waveforms import Settings

SCOPE = b"Time (s),CH1 (V),CH2 (V)\n" + b"".join(
    b"%.6f,%.1f,%.1f\n" % (n * 1e-5, 3.3 * (n % 20 in range(4, 9)), 3.3 * (n % 20 in range(7, 10))) for n in range(120)
)
EUROPEAN = b"\xef\xbb\xbfZeit;Kanal A;Kanal B\n(ms);(V);(V)\n\n" + b"".join(
    b"%d,%02d;%d,0;%d,0\n" % (*divmod(n, 100), 3 * (n % 20 in range(4, 9)), 3 * (n % 20 in range(7, 10)))
    for n in range(120)
)
LEVELS = b"Time [s],D0,D1\n0.00000000,X,0\n" + b"".join(
    b"0.%08d,%d,%d\n" % (n * 900 + n * n % 700, n % 4 in (1, 2), n % 4 in (2, 3)) for n in range(1, 60)
)
VCD = b"$timescale 1 ns $end\n$scope module gate $end\n$var wire 1 ! eye $end\n$var wire 1 % coil $end\n" + (
    b"$upscope $end\n$enddefinitions $end\n#0\n0!\n0%\n"
    + b"".join(b"#%d\n1!\n#%d\n1%%\n#%d\n0!\n0%%\n" % (n * 9000, n * 9000 + 20, n * 9000 + 900) for n in range(1, 9))
)
POWER = b"time,V,A\n" + b"".join(b"2026-03-01T10:00:%02dZ,5.0%d,0.6\n" % (n, n) for n in range(9))


def make(place: Callable[[], Path]) -> dict[str, Callable[[bytes], object]]:
    """The targets by name.

    Args:
        place: gives the directory files may be written to.
    """

    def recording(name: str, data: bytes) -> None:
        path = place() / name
        path.write_bytes(data)
        with contextlib.suppress(HostError):
            how = Settings()
            look(read([path], [], how), Wanted(), Labels(), how).lines()

    def scope_csv(data: bytes) -> None:
        """An oscilloscope's table."""
        recording("scope.csv", data)

    def levels_csv(data: bytes) -> None:
        """A logic analyser's list of changes."""
        recording("logic.csv", data)

    def binary(data: bytes) -> None:
        """An array, a Parquet file, a WAV or an archive, by its first bytes."""
        recording("recording", data)

    def vcd(data: bytes) -> None:
        """A dump of value changes."""
        recording("dump.vcd", data)

    def power_csv(data: bytes) -> None:
        """The log of a power meter."""
        path = place() / "meter.csv"
        path.write_bytes(data)
        with contextlib.suppress(HostError):
            read_power_log(path).between(1_772_359_200.0, 1_772_359_260.0).mean_w()

    def archive(data: bytes) -> None:
        """The bytes of a bundle."""
        path, into = place() / "bundle.zip", place() / "unpacked"
        path.write_bytes(data)
        into.mkdir()
        try:
            with contextlib.suppress(HostError):
                for name in unpack(path, into):
                    assert (into / name).resolve().is_relative_to(into.resolve())
        finally:
            shutil.rmtree(into)

    def bundled(data: bytes) -> None:
        """A bundle whose manifest and run are well packed and hold anything."""
        path, into = place() / "bundle.zip", place() / "unpacked"
        head, _, rest = data.partition(b"\0\0\0")
        with zipfile.ZipFile(path, "w") as packed:
            packed.writestr(MANIFEST, head)
            packed.writestr("runs/gate/run.json", rest)
        into.mkdir()
        try:
            with contextlib.suppress(HostError):
                verify(path, into, lambda _: None)
        finally:
            shutil.rmtree(into)

    return {target.__name__: target for target in (scope_csv, levels_csv, binary, vcd, power_csv, archive, bundled)}


@functools.cache
def binaries() -> tuple[bytes, ...]:
    """A small recording of each kind that is no text."""
    n = np.arange(200)
    eye, coil = (n % 40 < 20) * 3.3, (n % 40 > 5) * 5.0
    streams = [io.BytesIO() for _ in range(5)]
    np.save(streams[0], np.column_stack([n * 1e-6, eye, coil]))
    np.savez(streams[1], A=eye, B=coil, fs=1e6)
    pq.write_table(pa.table({"time_us": n * 1.0, "A": eye, "B": coil}), streams[2])
    wavfile.write(streams[3], 48_000, np.column_stack([eye, coil]).astype(np.float32))
    about = "[device 1]\ncapturefile=logic-1\nsamplerate=1 MHz\nunitsize=1\nprobe1=A\nprobe2=B\n"
    with zipfile.ZipFile(streams[4], "w") as archive:
        archive.writestr("version", "2")
        archive.writestr("metadata", about)
        archive.writestr("logic-1-1", ((eye > 0) + 2 * (coil > 0)).astype(np.uint8).tobytes())
    return (*(stream.getvalue() for stream in streams), gzip.compress(SCOPE))


@functools.cache
def packed(manifest: bytes, record: bytes) -> bytes:
    """A bundle of one run."""
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(MANIFEST, manifest)
        archive.writestr("runs/gate/run.json", record)
    return data.getvalue()
