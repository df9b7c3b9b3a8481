"""The two tables of a data set: a row an answer, and a row a run; columns, types, and how runs become rows.

Every file of a table has the same columns in the same order, whatever kind of run it is of, so that readers need not
unite schemas. Names of partitions stand in the path alone, as Hive has it; the table of runs has them as columns too,
to join by.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import pyarrow as pa

from edgereply.comparison.conditions import respects
from edgereply.evaluation.evaluate import Evaluation
from edgereply.exchange.export.batches import Batch, columns
from edgereply.exchange.export.tables import schema as export_schema
from edgereply.exchange.export.tables import to_table
from edgereply.storage.run_record import RunRecord
from edgereply.storage.series_record import SeriesRecord

# Series of a run that belongs to none.
NO_SERIES: Final = "none"
PARTITIONS: Final = ("series", "board", "run")
ANSWER_COLUMNS: Final = ("evidence", "virtual", "clock", *columns("pairs"))
_WORDS: Final = (
    "model", "responder", "language", "system", "kernel", "preemption", "python", "load", "activity", "route", "wait",
    "collection", "real time", "source", "source model", "source firmware", "pattern",
)  # fmt: skip
_COUNTS: Final = ("stimuli", "responses", "missed", "spurious", "coalesced", "ambiguous", "unobserved", "late")
_TIMES: Final = ("min_ns", "median_ns", "p90_ns", "p99_ns", "p99_9_ns", "max_ns")
_MEANS: Final = ("mean_ns", "std_ns")
_MOMENT: Final = pa.timestamp("us", tz="UTC")


@dataclass(frozen=True, slots=True)
class Place:
    """Where a run belongs.

    Attributes:
        directory: of the run.
        series: name of its series in the data set; `NO_SERIES` for none.
        record: of that series; None for none.
    """

    directory: Path
    series: str
    record: SeriesRecord | None


def answers_schema() -> pa.Schema:
    """Columns of a file of answers."""
    whole = export_schema("pairs")
    return pa.schema([whole.field(name) for name in ANSWER_COLUMNS])


def answers_table(batch: Batch) -> pa.Table:
    """Rows of a file of answers."""
    return to_table(batch, "pairs").select(list(ANSWER_COLUMNS))


def runs_schema() -> pa.Schema:
    """Columns of the table of runs: times in integer nanoseconds, moments in UTC, null where something is not known.

    The figures are the ones of the run's own summary: a quantile that its answers cannot support is null.
    """
    text, whole = pa.string(), pa.int64()
    return pa.schema(
        [
            *((name, text) for name in (*PARTITIONS, "directory", "title", "condition")),
            ("round", whole), ("series_created", text), ("created", _MOMENT), ("finished", _MOMENT),
            *((name, text) for name in ("state", "evidence")), ("virtual", pa.bool_()), ("tool", text),
            *((name, whole) for name in ("deadline_ns", "window_ns", "period_ns", "seed")),
            *((column(name), text) for name in _WORDS),
            *((name, whole) for name in (*map(counted, _COUNTS), *_TIMES)),
            *((name, pa.float64()) for name in _MEANS),
            ("record_sha256", text),
        ]
    )  # fmt: skip


def run_row(place: Place, record: RunRecord, result: Evaluation, digest: str) -> dict[str, Any]:
    """A row of the table of runs.

    Args:
        place: where the run belongs.
        record: of the run.
        result: its evaluation.
        digest: SHA-256 of `run.json`, to see by whether the run has changed since.
    """
    stated = respects(record, result.evidence, record.deadline_ns)
    stimulus, plan = record.requested.get("stimulus", {}), record.source.plan
    reaction: Mapping[str, Any] = (record.summary or result.summary(record.virtual)).get("reaction") or {}
    condition, round_ = _block(place)
    counts = {**record.counts, **result.counts}
    return {
        "series": place.series, "board": record.board, "run": record.run_id, "directory": str(place.directory),
        "title": record.title, "condition": condition, "round": round_,
        "series_created": None if place.record is None else place.record.created,
        "created": _moment(record.created), "finished": _moment(record.finished), "state": record.state,
        "evidence": result.evidence, "virtual": record.virtual, "tool": record.tool,
        "deadline_ns": record.deadline_ns, "window_ns": record.window_ns,
        "period_ns": plan.get("period_ns", stimulus.get("rate")), "seed": plan.get("seed", stimulus.get("seed")),
        **{column(name): stated[name] for name in _WORDS},
        **{counted(name): counts.get(name) for name in _COUNTS},
        **{name: reaction.get(name) for name in (*_TIMES, *_MEANS)},
        "record_sha256": digest,
    }  # fmt: skip


def column(respect: str) -> str:
    """Name of the column that has a respect in which runs differ."""
    return respect.replace(" ", "_")


def counted(name: str) -> str:
    """Name of the column that counts something; `late` alone is a column of answers."""
    return f"{name}_count"


def _block(place: Place) -> tuple[str | None, int | None]:
    blocks = [] if place.record is None else place.record.blocks
    for block in blocks:
        if block.run == place.directory.name:
            return block.condition, block.round
    return None, None


def _moment(text: str) -> datetime | None:
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        return None
