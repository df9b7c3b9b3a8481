"""A run's raw edges as a value change dump (IEEE 1364, clause "Value change dump files"), timescale 1 ns."""

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TextIO

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.errors import DataError, SettingError
from edgereply.storage.run_reader import RunReader
from edgereply.storage.run_record import RunRecord

LEAD_NS = 1_000
UNKNOWN_WIDTH_NS = 1_000
HOLD_BACK_NS = 1_000_000_000
STIMULUS, RESPONSE = "!", '"'
# Order of changes at one instant: what ends comes first.
_FALLS, _RISES = 0, 1


def write_vcd(path: Path, directory: Path, progress: Callable[[int], None]) -> int:
    """Write stimulus and response of a run; reads part by part.

    A response edge that does not alternate with its neighbours (an edge between them was not recorded) is preceded by
    `x`, as early as it can still be written. The source does not record the stimulus's end: it is drawn after the
    width that was set.

    Args:
        path: the file to write.
        directory: the run.
        progress: called with the number of rows as they are taken in.

    Returns:
        Number of edges taken from the stamps.

    Raises:
        DataError: not a run, damaged or altered.
        SettingError: it has no stamps to draw.
    """
    reader = RunReader(directory)
    record = reader.record
    width_ns = int(record.source.plan.get("width_ns") or 0) or UNKNOWN_WIDTH_NS
    writer: _Changes | None = None
    with path.open("w", encoding="ascii", errors="replace", newline="\n") as file:
        for stimulus, rise, fall in _ordered(_edges(reader, progress)):
            if writer is None:
                origin_ns = int(min(times[0] for times in (stimulus, rise, fall) if len(times))) - LEAD_NS
                file.write(_header(record, origin_ns, width_ns))
                writer = _Changes(file, origin_ns, width_ns)
            writer.add(stimulus, rise, fall)
        if writer is None:
            raise SettingError("the run has no stamps to draw", where=str(directory), remedy="choose another run")
        writer.finish()
    return writer.edges


def _edges(reader: RunReader, progress: Callable[[int], None]) -> Iterator[tuple[Int64s, Int64s, Int64s]]:
    """Stimuli, rises and falls of each part, sorted; of the board's clock where the source captured nothing."""
    if reader.record.source.captures:
        for part in reader.source_parts():
            progress(len(part.stimulus_ns))
            yield part.edges()
        return
    for stamps in reader.board_parts():
        progress(len(stamps.edge_ns))
        edge, high, low = (np.sort(c[c != NO_STAMP]) for c in (stamps.edge_ns, stamps.set_ns, stamps.clear_ns))
        yield edge, high, low


def _ordered(parts: Iterator[tuple[Int64s, Int64s, Int64s]]) -> Iterator[tuple[Int64s, Int64s, Int64s]]:
    """Hold back what edges of the next part may still come before: an edge waits while the answer before it is up."""
    held = [np.empty(0, np.int64)] * 3
    for part in parts:
        held = [np.sort(np.concatenate(pair)) for pair in zip(held, part, strict=True)]
        if not any(len(times) for times in held):
            continue
        until_ns = max(int(times[-1]) for times in held if len(times)) - HOLD_BACK_NS
        ready = [times[times <= until_ns] for times in held]
        held = [times[times > until_ns] for times in held]
        if any(len(times) for times in ready):
            yield ready[0], ready[1], ready[2]
    if any(len(times) for times in held):
        yield held[0], held[1], held[2]


class _Changes:
    """Value changes in order of time. Not thread-safe."""

    def __init__(self, file: TextIO, origin_ns: int, width_ns: int) -> None:
        self.edges = 0
        self._file = file
        self._origin_ns = origin_ns
        self._width_ns = width_ns
        self._written_ns = origin_ns
        self._open_stimulus: list[int] = []
        self._level = _FALLS
        self._level_ns = origin_ns

    def add(self, stimulus: Int64s, rise: Int64s, fall: Int64s) -> None:
        """Write sorted edges that all come after those before, but for the end of the last stimulus."""
        self.edges += len(stimulus) + len(rise) + len(fall)
        stimuli = np.concatenate([np.array(self._open_stimulus, np.int64), stimulus])
        ends = np.minimum(stimuli[:-1] + self._width_ns, stimuli[1:] - 1)
        until_ns = max(int(times[-1]) for times in (stimulus, rise, fall) if len(times))
        if len(stimuli):
            self._open_stimulus = [int(stimuli[-1])]
            if stimuli[-1] + self._width_ns <= until_ns:
                ends = np.append(ends, stimuli[-1] + self._width_ns)
                self._open_stimulus = []
        changes = [(stimulus, "1" + STIMULUS), (ends, "0" + STIMULUS)]
        self._write([*changes, *self._response(rise, fall)])

    def finish(self) -> None:
        """End the last stimulus."""
        self._write([(np.array(self._open_stimulus, np.int64) + self._width_ns, "0" + STIMULUS)])

    def _response(self, rise: Int64s, fall: Int64s) -> list[tuple[Int64s, str]]:
        times = np.concatenate([fall, rise])
        kinds = np.repeat([_FALLS, _RISES], [len(fall), len(rise)])
        order = np.lexsort((kinds, times))
        times, kinds = times[order], kinds[order]
        before = np.concatenate([[self._level], kinds])[:-1]
        before_ns = np.concatenate([[self._level_ns], times])[:-1]
        again = kinds == before
        unknown_ns = np.maximum(before_ns[again] + 1, self._written_ns + 1)
        if len(times):
            self._level, self._level_ns = int(kinds[-1]), int(times[-1])
        return [
            (unknown_ns[unknown_ns < times[again]], "x" + RESPONSE),
            (times[kinds == _FALLS], "0" + RESPONSE),
            (times[kinds == _RISES], "1" + RESPONSE),
        ]

    def _write(self, changes: list[tuple[Int64s, str]]) -> None:
        times = np.concatenate([at for at, _ in changes])
        which = np.repeat(np.arange(len(changes)), [len(at) for at, _ in changes])
        if len(times) and times.min() < self._written_ns:
            raise DataError(
                f"the stamps are out of order by more than {HOLD_BACK_NS // 10**9} s",
                where=self._file.name,
                remedy="export the run as a table with --what raw",
            )
        order = np.argsort(times, kind="stable")
        words = [word for _, word in changes]
        lines = []
        for at, index in zip((times[order] - self._origin_ns).tolist(), which[order].tolist(), strict=True):
            lines.append(f"#{at}\n{words[index]}\n")
        self._file.write("".join(lines))
        if len(times):
            self._written_ns = max(self._written_ns, int(times.max()))


def _header(record: RunRecord, origin_ns: int, width_ns: int) -> str:
    clock = "source" if record.source.captures else "board"
    scope = re.sub(r"[^A-Za-z0-9_]", "_", record.board) or "run"
    notes = [
        f"run {record.run_id}, {'VIRTUAL, ' if record.virtual else ''}{record.evidence}",
        f"time 0 is {origin_ns} ns of the {clock}'s clock; 1 is the active level",
        f"the end of a stimulus was not recorded and is drawn after {width_ns} ns; x: an edge was not recorded",
    ]
    comments = "".join(f"$comment {note.replace('$', '_')} $end\n" for note in notes)
    return (
        f"$date {record.created} $end\n$version {record.tool} $end\n{comments}$timescale 1 ns $end\n"
        f"$scope module {scope} $end\n$var wire 1 {STIMULUS} stimulus $end\n$var wire 1 {RESPONSE} response $end\n"
        f"$upscope $end\n$enddefinitions $end\n#0\n$dumpvars\n0{STIMULUS}\n0{RESPONSE}\n$end\n"
    )
