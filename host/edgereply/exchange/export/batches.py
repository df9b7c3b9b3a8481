"""What goes into an exported table: columns, and rows in batches of bounded size."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.analysis.pairing.result import Status
from edgereply.evaluation.evaluate import SEGMENTS, Evaluation
from edgereply.evaluation.load_view import evaluate_run
from edgereply.storage.run_reader import RunReader
from edgereply.storage.run_record import RunRecord
from edgereply.storage.stamps import FALL, RISE, STIMULUS, BoardStamps, ObservedEdges, SourceStamps

Rows = Literal["pairs", "raw"]
Kind = Literal["integer", "sequence", "status", "flag"]

FACTS = ("run", "run_id", "board", "route", "wait", "evidence")
STATUS_NAMES = tuple(status.name.lower() for status in sorted(Status))
PAIR_COLUMNS: dict[str, Kind] = {
    "stimulus_index": "integer",
    "stimulus_ns": "integer",
    "rise_ns": "integer",
    "fall_ns": "integer",
    "reaction_ns": "integer",
    "pulse_width_ns": "integer",
    "status": "status",
    "late": "flag",
    **{f"{name}_ns": "integer" for name in SEGMENTS},
}
RAW_COLUMNS: dict[str, Kind] = {
    **dict.fromkeys(("stimulus_ns", "rise_ns", "fall_ns", "edge_ns", "wake_ns", "set_ns", "clear_ns"), "integer"),
    "seqno": "sequence",
    "line_seqno": "sequence",
}
BATCH_ROWS = 65_536


@dataclass(frozen=True, slots=True)
class Batch:
    """Rows of one run.

    Attributes:
        facts: what is the same in every row of the run, by the names in `FACTS`.
        virtual: whether software wires or a virtual board took part.
        clock: `source` or `board`: the clock that the times of these rows were read from.
        rows: how many.
        values: a column each, of equal length: int64, `NO_STAMP` where there is nothing; `status` uint8, an index into
            `STATUS_NAMES`; flags int64, 0 or 1. A column that is left out has nothing in it.
    """

    facts: dict[str, str]
    virtual: bool
    clock: str
    rows: int
    values: dict[str, NDArray[Any]]


def columns(what: Rows) -> dict[str, Kind]:
    """Names and kinds of the columns that follow `FACTS`, `virtual` and `clock`."""
    return PAIR_COLUMNS if what == "pairs" else RAW_COLUMNS


def batches(directory: Path, what: Rows, rows: int = BATCH_ROWS) -> Iterator[Batch]:
    """Read a run for a table.

    Args:
        directory: the run.
        what: `pairs`, a row each stimulus as the evaluation pairs them; `raw`, the rows as they were written, those of
            the source's clock first. Pairing holds one run in memory, raw rows are read part by part.
        rows: most rows in a batch.

    Raises:
        DataError: not a run, damaged or altered.
    """
    reader = RunReader(directory)
    if what == "pairs":
        yield from paired(directory, reader.record, evaluate_run(reader, reader.record.deadline_ns), rows)
        return
    facts = _facts(directory, reader.record, reader.record.evidence)
    for part in reader.source_parts():
        yield from _cut(facts, reader.record.virtual, "source", _fields(part), rows)
    for stamps in reader.board_parts():
        yield from _cut(facts, reader.record.virtual, "board", _fields(stamps), rows)
    for edges in reader.observed_parts():
        yield from _cut(facts, reader.record.virtual, "board", _edges(edges), rows)


def paired(directory: Path, record: RunRecord, result: Evaluation, rows: int = BATCH_ROWS) -> Iterator[Batch]:
    """Rows of an evaluated run, one a stimulus."""
    facts = _facts(directory, record, result.evidence)
    clock = "board" if result.evidence == "inside" else "source"
    yield from _cut(facts, record.virtual, clock, pair_values(result, record.deadline_ns), rows)


def pair_values(result: Evaluation, deadline_ns: int | None) -> dict[str, NDArray[Any]]:
    """The columns of `PAIR_COLUMNS`, one row a stimulus, in order of time."""
    rise = _sum(result.stimulus_ns, result.reaction_ns)
    values: dict[str, NDArray[Any]] = {
        "stimulus_index": np.arange(len(result.status), dtype=np.int64),
        "stimulus_ns": result.stimulus_ns,
        "rise_ns": rise,
        "fall_ns": _sum(rise, result.pulse_width_ns),
        "reaction_ns": result.reaction_ns,
        "pulse_width_ns": result.pulse_width_ns,
        "status": result.status,
        **{f"{name}_ns": column for name, column in result.segments.items()},
    }
    if deadline_ns is not None:
        late = (result.reaction_ns > deadline_ns).astype(np.int64)
        values["late"] = np.where(result.reaction_ns == NO_STAMP, NO_STAMP, late)
    return values


def _fields(stamps: SourceStamps | BoardStamps) -> dict[str, NDArray[Any]]:
    return {name: np.asarray(getattr(stamps, name), np.int64) for name in RAW_COLUMNS if hasattr(stamps, name)}


def _edges(edges: ObservedEdges) -> dict[str, NDArray[Any]]:
    """A row an edge, its stamp in the column of its kind; a fall that left no stamp has none."""
    kinds = {"edge_ns": STIMULUS, "rise_ns": RISE, "fall_ns": FALL}
    times = {name: np.where(edges.kind == kind, edges.at_ns, NO_STAMP) for name, kind in kinds.items()}
    return times | {"seqno": edges.seqno.astype(np.int64)}


def _facts(directory: Path, record: RunRecord, evidence: str) -> dict[str, str]:
    board = record.requested.get("board", {})
    agent = board.get("responder", "agent") == "agent"
    return {
        "run": str(directory),
        "run_id": record.run_id,
        "board": record.board,
        "route": str(board.get("route", "")) if agent else "",
        "wait": str(board.get("wait", "")) if agent else "",
        "evidence": evidence,
    }


def _cut(
    facts: dict[str, str], virtual: bool, clock: str, values: dict[str, NDArray[Any]], rows: int
) -> Iterator[Batch]:
    total = len(next(iter(values.values())))
    for start in range(0, total, rows):
        piece = {name: column[start : start + rows] for name, column in values.items()}
        yield Batch(facts, virtual, clock, min(rows, total - start), piece)


def _sum(one: Int64s, other: Int64s) -> Int64s:
    there = (one != NO_STAMP) & (other != NO_STAMP)
    total = np.full(len(one), NO_STAMP, np.int64)
    total[there] = one[there] + other[there]
    return total


def expected_rows(directory: Path, what: Rows) -> int:
    """About how many rows a run will give, to tell the time left by.

    Raises:
        DataError: not a run.
    """
    parts = RunReader(directory).record.parts
    return sum(part.rows for part in parts if what == "raw" or part.file.startswith("stamps/"))


def run_directories(paths: Sequence[Path]) -> list[Path]:
    """Runs as given, and the measured blocks of series in the order in which they were measured.

    Raises:
        DataError: a series that cannot be read.
    """
    from edgereply.storage.series_record import load_series

    found: list[Path] = []
    for path in paths:
        if (path / "series.json").is_file():
            found += [
                path / block.run for block in load_series(path).blocks if (path / block.run / "run.json").is_file()
            ]
        else:
            found.append(path)
    return found
