"""Batches into one NumPy archive (`numpy.load` reads it without pickles)."""

import zipfile
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, Self

import numpy as np
from numpy.typing import NDArray

from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.exchange.export.batches import FACTS, STATUS_NAMES, Batch, Rows, columns

CLOCKS = ("source", "board")
COPY_BYTES = 1 << 20


class ArraysFile:
    """An uncompressed `.npz` written batch by batch: columns grow in files beside it and are put together at the end.

    Arrays: one int64 array a column of times and counts, `no_stamp` where there is nothing; `status` uint8, an index
    into `status_names`; `clock` uint8, an index into `clock_names`; `run_index` int32, an index into `runs`,
    `run_ids`, `boards`, `routes`, `waits`, `evidences` and `virtuals`. A context manager; not thread-safe.
    """

    def __init__(self, path: Path, what: Rows) -> None:
        self._path = path
        self._kinds = columns(what)
        self._rows = 0
        self._runs: list[tuple[dict[str, str], bool]] = []
        self._files: dict[str, BinaryIO] = {}
        self._types = {name: np.dtype("u1" if kind == "status" else "<i8") for name, kind in self._kinds.items()}
        self._types |= {"run_index": np.dtype("<i4"), "clock": np.dtype("u1")}
        self._stack = ExitStack()

    def __enter__(self) -> Self:
        for name in self._types:
            self._files[name] = self._stack.enter_context(self._path.with_name(f"{name}.column").open("w+b"))
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with self._stack:
            if error is None:
                self._assemble()

    def write(self, batch: Batch) -> None:
        """Add rows.

        Raises:
            OSError: they cannot be written.
        """
        if not self._runs or self._runs[-1][0]["run"] != batch.facts["run"]:
            self._runs.append((batch.facts, batch.virtual))
        nothing = np.full(batch.rows, NO_STAMP, np.int64)
        values: dict[str, NDArray[Any]] = {name: batch.values.get(name, nothing) for name in self._kinds}
        values["run_index"] = np.full(batch.rows, len(self._runs) - 1)
        values["clock"] = np.full(batch.rows, CLOCKS.index(batch.clock))
        for name, column in values.items():
            self._files[name].write(np.ascontiguousarray(column, self._types[name]).data)
        self._rows += batch.rows

    def _assemble(self) -> None:
        with zipfile.ZipFile(self._path, "w", zipfile.ZIP_STORED) as archive:
            for name, file in self._files.items():
                with archive.open(_member(name), "w", force_zip64=True) as target:
                    header = {"descr": self._types[name].str, "fortran_order": False, "shape": (self._rows,)}
                    np.lib.format.write_array_header_1_0(target, header)
                    file.seek(0)
                    while piece := file.read(COPY_BYTES):
                        target.write(piece)
            for name, array in self._names().items():
                with archive.open(_member(name), "w") as target:
                    np.lib.format.write_array(target, array, allow_pickle=False)

    def _names(self) -> dict[str, NDArray[Any]]:
        texts = {f"{name}s": np.array([facts[name] for facts, _ in self._runs], np.str_) for name in FACTS}
        return texts | {
            "virtuals": np.array([virtual for _, virtual in self._runs], np.bool_),
            "status_names": np.array(STATUS_NAMES, np.str_),
            "clock_names": np.array(CLOCKS, np.str_),
            "no_stamp": np.array(NO_STAMP, np.int64),
        }


def _member(name: str) -> zipfile.ZipInfo:
    """A member with a fixed date, so that the same runs give the same bytes."""
    return zipfile.ZipInfo(f"{name}.npy", (1980, 1, 1, 0, 0, 0))
