"""A run directory, read: its record, and its stamps whole or part by part; damaged and altered parts are refused."""

import contextlib
import itertools
import json
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import TypeVar

from pydantic import ValidationError

from edgereply.analysis.arrays.chunks import in_turn
from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.config.validation import explain_validation
from edgereply.errors import DataError
from edgereply.storage.formats import refuse_newer
from edgereply.storage.parquet_parts import read_board, read_observed, read_source, rows_of
from edgereply.storage.run_record import CONTEXT, FORMAT, RunRecord
from edgereply.storage.stamps import BoardStamps, ObservedEdges, SourceStamps
from edgereply.storage.trace_events import TraceEvents
from edgereply.storage.trace_parts import read_trace
from edgereply.system.digest import sha256_of

Stamps = TypeVar("Stamps", SourceStamps, BoardStamps, ObservedEdges, TraceEvents)

MOST_READINGS = 1_000_000


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
        yield from in_turn(read_source, self._files("stamps"))

    def board_parts(self) -> Iterator[BoardStamps]:
        """Rows of `board/`, part by part in order.

        Raises:
            DataError: a part is missing, truncated or altered.
        """
        yield from in_turn(read_board, self._files("board"))

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
        yield from in_turn(read_observed, self._files("observed"))

    def trace(self) -> TraceEvents:
        """All rows of `trace/` in order; none where nothing of the kernel's was recorded.

        Raises:
            DataError: a part is missing, truncated or altered.
        """
        return TraceEvents.concatenate(list(self._parts("trace", read_trace)[0]))

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
        rows = [rows_of(path) for path in files]
        # Of a run that is still being measured the last part may have grown since its rows were counted.
        parts = (_first(part, most) for part, most in zip(in_turn(read, files), rows, strict=True))
        return parts, sum(rows)

    def _files(self, folder: str) -> list[Path]:
        # The number grows beyond five digits in a run of some days.
        found = sorted((self.directory / folder).glob("part-*.parquet"), key=lambda path: (len(path.name), path.name))
        if self.cut_off:
            return found
        listed = {self.directory / part.file: part for part in self.record.parts if part.file.startswith(folder + "/")}
        there = set(found)
        for path in listed:
            if path not in there:
                raise DataError("a part is missing", where=str(path), remedy="restore it from a copy")
        for (path, part), digest in zip(listed.items(), in_turn(sha256_of, list(listed)), strict=True):
            if digest != part.sha256:
                raise DataError(
                    "a part was altered or truncated since the run", where=str(path), remedy="restore it from a copy"
                )
        if extra := set(found) - set(listed):
            raise DataError(
                "a part that the run did not write", where=str(min(extra)), remedy="move it out of the directory"
            )
        return found


def _first(part: Stamps, rows: int) -> Stamps:
    return type(part)(*(column[:rows] for column in part.columns()))


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
