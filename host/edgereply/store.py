"""Run directories: `run.json` and Parquet parts, written so that a crash loses at most the block in flight.

A part is written under a temporary name, synced, renamed, and its directory synced. This module and `parts` alone know
the file format; `stamps/` holds the source's clock, `board/` the board's, `observed/` what the agent only watched.
"""

import contextlib
import itertools
import json
import os
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import TypeVar

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray
from pydantic import ValidationError

from edgereply.digest import sha256_of
from edgereply.errors import DataError, StoreError
from edgereply.formats import refuse_newer
from edgereply.parts import board_table, observed_table, read_board, read_observed, read_source, rows_of, source_table
from edgereply.records import FORMAT, Part, RunRecord
from edgereply.settings import explain_validation
from edgereply.stamps import NO_STAMP, BoardStamps, ObservedEdges, RowBuilder, SourceStamps

Int64s = NDArray[np.int64]
Stamps = TypeVar("Stamps", SourceStamps, BoardStamps, ObservedEdges)

COMMIT_ROWS = 50_000
COMMIT_S = 2.0
CONTEXT = "context.jsonl"
MOST_READINGS = 1_000_000


class RunWriter:
    """Writes one run. Not thread-safe."""

    def __init__(self, directory: Path, record: RunRecord) -> None:
        """Create the directory and its first `run.json`.

        Raises:
            DataError: it exists and is not empty.
            StoreError: it cannot be written.
        """
        self.directory = directory
        self.record = record
        self.rows = 0
        self._builder = RowBuilder()
        self._source: list[SourceStamps] = []
        self._board: list[BoardStamps] = []
        self._observed: list[ObservedEdges] = []
        self._pending = 0
        self._numbers: Counter[str] = Counter()
        self._committed_at = time.monotonic()
        try:
            if directory.exists() and any(directory.iterdir()):
                raise DataError(
                    "the run directory is not empty", where=str(directory), remedy="choose another name or remove it"
                )
            for folder in (directory, directory / "stamps", directory / "board"):
                folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            self._write_record()
        except OSError as error:
            raise _unwritable(directory, error) from error

    def add_source(self, kind: NDArray[np.uint8], at_ns: Int64s) -> None:
        """Add captured and emitted edges (kind 1 stimulus, 2 rise, 3 fall, 4 fall lost), source clock."""
        self._take(self._builder.feed(kind, at_ns))

    def add_board(self, stamps: BoardStamps) -> None:
        """Add answered edges, board clock."""
        self._board.append(stamps)
        self._pending += len(stamps.edge_ns)
        self._maybe_commit()

    def add_observed(self, edges: ObservedEdges) -> None:
        """Add edges the agent only watched, board clock."""
        self._observed.append(edges)
        self._pending += len(edges.at_ns)
        self._maybe_commit()

    def add_context(self, board_ns: int, reading: object) -> None:
        """Add a reading of the board's counters, a line in `context.jsonl`.

        Raises:
            StoreError: it cannot be written.
        """
        if not isinstance(reading, dict):
            return
        try:
            with (self.directory / CONTEXT).open("a", encoding="utf-8") as file:
                file.write(json.dumps({"board_ns": board_ns, **reading}) + "\n")
        except OSError as error:
            raise _unwritable(self.directory, error) from error

    def finish(self, state: str, reason: str) -> None:
        """Commit what is left and close the record.

        Raises:
            StoreError: the disk is full or gone; committed parts stay readable.
        """
        self._take(self._builder.finish())
        self.commit()
        self.record = self.record.model_copy(update={"state": state, "reason": reason})
        self.save(self.record)

    def save(self, record: RunRecord) -> None:
        """Replace `run.json`.

        Raises:
            StoreError: it cannot be written; the old one stays.
        """
        self.record = record.model_copy(update={"parts": self.record.parts})
        try:
            self._write_record()
        except OSError as error:
            raise _unwritable(self.directory, error) from error

    def commit(self) -> None:
        """Make everything added so far durable.

        Raises:
            StoreError: it cannot be written; parts committed before stay readable.
        """
        try:
            if self._source:
                self._write_part("stamps", source_table(SourceStamps.concatenate(self._source)))
                self._source.clear()
            if self._board:
                self._write_part("board", board_table(BoardStamps.concatenate(self._board)))
                self._board.clear()
            if self._observed:
                (self.directory / "observed").mkdir(mode=0o700, exist_ok=True)
                self._write_part("observed", observed_table(ObservedEdges.concatenate(self._observed)))
                self._observed.clear()
        except OSError as error:
            raise _unwritable(self.directory, error) from error
        self._pending = 0
        self._committed_at = time.monotonic()

    def _take(self, stamps: SourceStamps) -> None:
        if len(stamps.stimulus_ns):
            self._source.append(stamps)
            self.rows += len(stamps.stimulus_ns)
            self._pending += len(stamps.stimulus_ns)
        self._maybe_commit()

    def _maybe_commit(self) -> None:
        if self._pending >= COMMIT_ROWS or (self._pending and time.monotonic() - self._committed_at > COMMIT_S):
            self.commit()

    def _write_part(self, folder: str, table: pa.Table) -> None:
        # Counted, not looked for: a run of a day has tens of thousands of parts.
        name = f"{folder}/part-{self._numbers[folder]:05}.parquet"

        def write(path: Path) -> None:
            pq.write_table(table, path, compression="zstd", write_page_checksum=True)

        digest = _replace(self.directory / name, write)
        self.record.parts.append(Part(file=name, rows=table.num_rows, sha256=digest))
        self._numbers[folder] += 1

    def _write_record(self) -> None:
        text = self.record.model_dump_json(indent=1)
        _replace(self.directory / "run.json", lambda path: path.write_text(text, encoding="utf-8"))


def replace_record(directory: Path, record: RunRecord) -> None:
    """Write the record of a finished run anew.

    Raises:
        StoreError: it cannot be written; the old one stays.
    """
    text = record.model_dump_json(indent=1)
    try:
        _replace(directory / "run.json", lambda path: path.write_text(text, encoding="utf-8"))
    except OSError as error:
        raise _unwritable(directory, error) from error


class RunReader:
    """A run directory, read. Holds the record; stamps are loaded when asked for."""

    def __init__(self, directory: Path) -> None:
        """Read `run.json`.

        Raises:
            DataError: not a run directory, altered, or of a newer format.
        """
        self.directory = directory
        path = directory / "run.json"
        try:
            if path.stat().st_size > 64 << 20:
                raise DataError("run.json is larger than 64 MiB", where=str(path), remedy="is this a run directory?")
            text = path.read_bytes()
            refuse_newer(text, FORMAT, "the run", str(path))
            self.record = RunRecord.model_validate_json(text)
        except OSError as error:
            raise DataError(
                f"not a run directory: run.json: {error.strerror}",
                where=str(directory),
                remedy="give the directory that 'edgereply measure' wrote",
            ) from error
        except ValidationError as error:
            raise DataError(
                "run.json is damaged or not ours: " + "; ".join(explain_validation(error)[:3]),
                where=str(path),
                remedy="restore it from a copy; the Parquet parts beside it can be read on their own",
            ) from error

    @property
    def cut_off(self) -> bool:
        """True where the program that wrote it died before closing the record."""
        return self.record.state == "running"

    def source(self) -> SourceStamps:
        """All rows of `stamps/` in order.

        Raises:
            DataError: a part is missing, truncated or altered.
        """
        parts, rows = self._parts("stamps", read_source)
        return SourceStamps.gathered(in_order(parts, self.directory), rows)

    def board(self) -> BoardStamps:
        """All rows of `board/` in order.

        Raises:
            DataError: a part is missing, truncated or altered.
        """
        return BoardStamps.gathered(*self._parts("board", read_board))

    def source_parts(self) -> Iterator[SourceStamps]:
        """Rows of `stamps/`, part by part in order.

        Raises:
            DataError: a part is missing, truncated or altered.
        """
        for path in self._files("stamps"):
            yield read_source(path)

    def board_parts(self) -> Iterator[BoardStamps]:
        """Rows of `board/`, part by part in order.

        Raises:
            DataError: a part is missing, truncated or altered.
        """
        for path in self._files("board"):
            yield read_board(path)

    def observed(self) -> ObservedEdges:
        """All rows of `observed/` in order; none where the agent answered itself or was not there.

        Raises:
            DataError: a part is missing, truncated or altered.
        """
        return ObservedEdges.gathered(*self._parts("observed", read_observed))

    def observed_parts(self) -> Iterator[ObservedEdges]:
        """Rows of `observed/`, part by part in order.

        Raises:
            DataError: a part is missing, truncated or altered.
        """
        for path in self._files("observed"):
            yield read_observed(path)

    def context(self) -> list[dict[str, int]]:
        """Readings of the board's counters, one about each second, in order; a damaged line is left out."""
        path = self.directory / CONTEXT
        found: list[dict[str, int]] = []
        if not path.exists():
            return found
        with path.open(encoding="utf-8", errors="replace") as file:
            for line in itertools.islice(file, MOST_READINGS):
                with contextlib.suppress(ValueError, RecursionError):
                    reading = json.loads(line)
                    if isinstance(reading, dict) and type(reading.get("board_ns")) is int:
                        found.append({k: v for k, v in reading.items() if type(v) is int})
        return found

    def rows(self, folder: str) -> int:
        """How many rows the parts in `stamps`, `board` or `observed` have together.

        Raises:
            DataError: the run was cut off, and a part cannot be read.
        """
        if self.cut_off:
            return sum(rows_of(path) for path in self._files(folder))
        return sum(part.rows for part in self.record.parts if part.file.startswith(folder + "/"))

    def _parts(self, folder: str, read: Callable[[Path], Stamps]) -> tuple[Iterator[Stamps], int]:
        files = self._files(folder)
        return map(read, files), sum(rows_of(path) for path in files)

    def _files(self, folder: str) -> list[Path]:
        # The number grows beyond five digits in a run of some days.
        found = sorted((self.directory / folder).glob("part-*.parquet"), key=lambda path: (len(path.name), path.name))
        if self.cut_off:
            return found
        listed = {self.directory / part.file: part for part in self.record.parts if part.file.startswith(folder + "/")}
        for path, part in listed.items():
            if path not in found:
                raise DataError("a part is missing", where=str(path), remedy="restore it from a copy")
            if sha256_of(path) != part.sha256:
                raise DataError(
                    "a part was altered or truncated since the run", where=str(path), remedy="restore it from a copy"
                )
        if extra := set(found) - set(listed):
            raise DataError(
                "a part that the run did not write", where=str(min(extra)), remedy="move it out of the directory"
            )
        return found


def in_order(parts: Iterable[SourceStamps], directory: Path) -> Iterator[SourceStamps]:
    """Pass parts on whose stimuli rise from row to row and from part to part.

    Raises:
        DataError: they do not.
    """
    last = NO_STAMP
    for part in parts:
        times = part.stimulus_ns[part.stimulus_ns != NO_STAMP]
        if len(times):
            if times[0] < last or (times[1:] < times[:-1]).any():
                raise DataError(
                    "the stimuli are not in order of time", where=str(directory / "stamps"), remedy="restore the parts"
                )
            last = int(times[-1])
        yield part


def _replace(path: Path, write: Callable[[Path], object]) -> str:
    partial = path.with_name(f".{path.name}.partial")
    try:
        write(partial)
        with partial.open("rb+") as file:
            os.fsync(file.fileno())
        digest = sha256_of(partial)
        partial.replace(path)
    finally:
        partial.unlink(missing_ok=True)
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
    return digest


def _unwritable(directory: Path, error: OSError) -> StoreError:
    # The Parquet writer puts words of its own where the system's reason should be.
    why = os.strerror(error.errno) if error.errno else str(error)
    return StoreError(
        f"the run cannot be written: {why}",
        where=str(directory),
        remedy="free space or choose another directory with --out; what was committed before stays readable",
    )
