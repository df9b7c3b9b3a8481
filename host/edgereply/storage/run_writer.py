"""Run directories written: `run.json` and Parquet parts, so that a crash loses at most the block in flight.

A part is written under a temporary name, synced, renamed, and its directory synced. The last part of each folder
grows: a commit writes its rows and the new ones together and renames them over it, so that its name always stands for
either the old rows or all of them. This module and `parquet_parts` alone know the file format; `stamps/` holds the
source's clock, `board/` the board's, `observed/` what the agent only watched, `trace/` what its kernel
did (`trace_events`).

Rows are committed every two seconds; from `PART_ROWS` rows on the next commit begins a part, so that a day at 5/s
leaves 53 of each kind instead of one a commit. A full disk leaves the rows to the next commit, and nothing has to be
tidied up. `run.json` lists the parts only once the run has ended; of a run that still says "running" parts are found
by name, and rows are counted before they are read, since the last part may grow in between. Parts hold differences of
neighbouring stamps (Parquet's DELTA_BINARY_PACKED): a third of what compressed columns take, written in a quarter of
the time.
"""

import contextlib
import json
import os
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Generic, TypeVar

import pyarrow as pa

from edgereply.analysis.arrays.aliases import Int64s, Uint8s
from edgereply.errors import DataError, StoreError
from edgereply.storage.parquet_parts import (
    board_table,
    observed_table,
    source_table,
    write_part,
)
from edgereply.storage.run_record import CONTEXT, Part, RunRecord
from edgereply.storage.stamps import BoardStamps, ObservedEdges, RowBuilder, SourceStamps
from edgereply.storage.trace_events import TraceEvents
from edgereply.storage.trace_parts import trace_table, write_trace
from edgereply.system.digest import sha256_of
from edgereply.system.durability import sync_file, sync_folder
from edgereply.system.interrupts import interrupts_deferred

Stamps = TypeVar("Stamps", SourceStamps, BoardStamps, ObservedEdges, TraceEvents)

COMMIT_ROWS = 50_000
COMMIT_S = 2.0
# All parts but the last have at least so many rows: some 100 kB, written anew by each commit until then.
PART_ROWS = 1 << 13


@dataclass(slots=True)
class _Folder(Generic[Stamps]):
    """The last part of a folder: its rows, those that are not in the file yet included."""

    name: str
    joined: Callable[[Sequence[Stamps]], Stamps]
    table: Callable[[Stamps], pa.Table]
    number: int = 0
    rows: list[Stamps] = field(default_factory=list)
    fresh: bool = False
    write: Callable[[pa.Table, Path], None] = write_part

    def add(self, stamps: Stamps) -> None:
        """Take rows for the next commit."""
        self.rows.append(stamps)
        self.fresh = True

    def committed(self, enough: bool) -> None:
        """The part's file has all of them; the next rows go into it too unless it has enough."""
        if enough:
            self.number += 1
            self.rows.clear()
        self.fresh = False


def refuse_used(directory: Path) -> None:
    """Refuse a directory for a run in which something is already.

    Raises:
        DataError: it exists and is not empty.
    """
    if directory.exists() and (not directory.is_dir() or any(directory.iterdir())):
        raise DataError(
            "the run directory is not empty", where=str(directory), remedy="choose another name or remove it"
        )


class RunWriter:
    """Writes one run. Not thread-safe."""

    def __init__(self, directory: Path, record: RunRecord, part_rows: int = PART_ROWS) -> None:
        """Create the directory and its first `run.json`.

        Args:
            directory: must not hold anything yet.
            record: what is known before the first stimulus.
            part_rows: a part grows from commit to commit until it has so many; 1 makes every commit a part of its own.

        Raises:
            DataError: it exists and is not empty.
            StoreError: it cannot be written.
        """
        self.directory = directory
        self.record = record
        self.rows = 0
        self._builder = RowBuilder()
        self._source = _Folder("stamps", SourceStamps.concatenate, source_table)
        self._board = _Folder("board", BoardStamps.concatenate, board_table)
        self._observed = _Folder("observed", ObservedEdges.concatenate, observed_table)
        self._trace = _Folder("trace", TraceEvents.concatenate, trace_table, write=write_trace)
        self._listed: dict[str, Part] = {}
        self._part_rows = part_rows
        self._pending = 0
        self._committed_at = time.monotonic()
        try:
            refuse_used(directory)
            for folder in (directory, directory / "stamps", directory / "board"):
                _make_folder(folder)
            self._write_record()
        except OSError as error:
            raise _unwritable(directory, error) from error

    def add_source(self, kind: Uint8s, at_ns: Int64s) -> None:
        """Add captured and emitted edges (kind 1 stimulus, 2 rise, 3 fall, 4 fall lost), source clock."""
        self._take(self._builder.feed(kind, at_ns))

    def add_board(self, stamps: BoardStamps) -> None:
        """Add answered edges, board clock."""
        self._board.add(stamps)
        self._pending += len(stamps.edge_ns)
        self._maybe_commit()

    def add_observed(self, edges: ObservedEdges) -> None:
        """Add edges the agent only watched, board clock."""
        self._observed.add(edges)
        self._pending += len(edges.at_ns)
        self._maybe_commit()

    def add_trace(self, events: TraceEvents) -> None:
        """Add the kernel's events beside late answers, board clock."""
        if len(events.at_ns):
            self._trace.add(events)
            self._pending += len(events.at_ns)
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
        with interrupts_deferred():
            self._take(self._builder.finish())
            self.commit()
            self.record = self.record.model_copy(update={"state": state, "reason": reason})
            self.save(self.record)

    def save(self, record: RunRecord) -> None:
        """Replace `run.json`.

        Raises:
            StoreError: it cannot be written; the old one stays.
        """
        self.record = record.model_copy(update={"parts": list(self._listed.values())})
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
            with interrupts_deferred():  # rows are in a part or in the writer, never in both
                self._commit()
        except OSError as error:
            raise _unwritable(self.directory, error) from error

    def _commit(self) -> None:
        self._write_part(self._source)
        self._write_part(self._board)
        if self._observed.fresh:
            _make_folder(self.directory / "observed")
            self._write_part(self._observed)
        if self._trace.fresh:
            _make_folder(self.directory / "trace")
            self._write_part(self._trace)
        self._pending = 0
        self._committed_at = time.monotonic()

    def _take(self, stamps: SourceStamps) -> None:
        if len(stamps.stimulus_ns):
            self._source.add(stamps)
            self.rows += len(stamps.stimulus_ns)
            self._pending += len(stamps.stimulus_ns)
        self._maybe_commit()

    def _maybe_commit(self) -> None:
        if self._pending >= COMMIT_ROWS or (self._pending and time.monotonic() - self._committed_at > COMMIT_S):
            self.commit()

    def _write_part(self, folder: _Folder[Stamps]) -> None:
        if not folder.fresh:
            return
        name = f"{folder.name}/part-{folder.number:05}.parquet"
        folder.rows[:] = [folder.joined(folder.rows)]
        table = folder.table(folder.rows[0])
        digest = _replace(self.directory / name, lambda path: folder.write(table, path))
        self._listed[name] = Part(file=name, rows=table.num_rows, sha256=digest)
        folder.committed(enough=table.num_rows >= self._part_rows)

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


def _replace(path: Path, write: Callable[[Path], object]) -> str:
    partial = path.with_name(f".{path.name}.partial")
    try:
        write(partial)
        with partial.open("rb+") as file:
            sync_file(file)
        digest = sha256_of(partial)
        partial.replace(path)
    finally:
        partial.unlink(missing_ok=True)
    sync_folder(path.parent)
    return digest


def _make_folder(path: Path) -> None:
    path.mkdir(mode=0o700, parents=True, exist_ok=True)
    # What holds the run may be writable and not readable: no reason to refuse it.
    with contextlib.suppress(PermissionError):
        sync_folder(path.parent)


def _unwritable(directory: Path, error: OSError) -> StoreError:
    # The Parquet writer puts words of its own where the system's reason should be.
    why = os.strerror(error.errno) if error.errno else str(error)
    return StoreError(
        f"the run cannot be written: {why}",
        where=str(directory),
        remedy="free space or choose another directory with --out; what was committed before stays readable",
    )
