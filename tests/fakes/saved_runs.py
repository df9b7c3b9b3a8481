"""Run directories written from known stamps, without a measurement."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.evaluation.evaluate import evaluate
from edgereply.storage.run_reader import RunReader
from edgereply.storage.run_record import RunRecord, SourceRecord
from edgereply.storage.run_writer import RunWriter
from edgereply.storage.stamps import BoardStamps, ObservedEdges
from edgereply.storage.trace_events import TraceEvents
from tests.fakes.records import run_record

WIDTH_NS = 4_000
HOLD_NS = 50_000
TOOL = "edgereply test"
DEADLINE_NS = 2_000_000
CREATED = "2026-01-02T03:04:05+00:00"
HOLES = (7, 20)


def record(name: str = "run", **changes: Any) -> RunRecord:
    """A record of a virtual loop-back run."""
    values: dict[str, Any] = {
        "tool": TOOL, "run_id": f"id-{name}", "created": CREATED,
        "requested": {"board": {"route": "chardev", "wait": "block"}},
        "source": SourceRecord(kind="virtual", tick_hz=1_000_000_000, plan={"width_ns": HOLD_NS}),
        "deadline_ns": DEADLINE_NS,
    }  # fmt: skip
    return run_record(**values | changes)


def stimuli(count: int) -> Int64s:
    """Times of stimuli, at least 4 ms apart and random beyond, so that two clocks can be joined by them."""
    rng = np.random.default_rng(99)
    return np.cumsum(4_000_000 + rng.exponential(2_000_000, count)).astype(np.int64)


def reactions(count: int, seed: int = 1) -> Int64s:
    """Reaction times of 30 µs and some, one in twenty-five late."""
    quick = np.random.default_rng(seed).integers(30_000, 39_000, count)
    return np.where(np.arange(count) % 25 == 13, quick + 2_500_000, quick).astype(np.int64)


def save_run(
    directory: Path, count: int = 60, *, seed: int = 1, holes: tuple[int, ...] = HOLES, stamped: bool = True,
    finish: bool = True, parts: int = 2, part_rows: int = 1, start_ns: int = 0, observed: bool = False,
    reaction_ns: Int64s | None = None, trace: Callable[[Int64s, Int64s], TraceEvents] | None = None, **changes: Any,
) -> RunRecord:  # fmt: skip
    """Write a run; stimuli in `holes` get no answer.

    Args:
        directory: to write to.
        count: stimuli.
        seed: of the reaction times.
        holes: indices of stimuli without an answer.
        stamped: whether the board's stamps are there too.
        observed: whether they are those of an agent that only watched.
        finish: False leaves it as a run that was cut off.
        parts: number of commits its stamps are cut into.
        part_rows: a part grows until it has so many rows; 1 makes each commit a part.
        start_ns: what the source's clock showed at the beginning.
        reaction_ns: one for each stimulus in place of `reactions`.
        trace: from edges and sets on the board's clock to the kernel's events beside them.
        changes: of the record.
    """
    writer = RunWriter(directory, record(directory.name, **changes), part_rows)
    stimulus = start_ns + stimuli(count)
    answered = np.setdiff1d(np.arange(count), holes)
    rise = stimulus + (reactions(count, seed) if reaction_ns is None else reaction_ns)
    for piece in np.array_split(np.arange(count), parts):
        some = np.intersect1d(piece, answered)
        times = np.concatenate([stimulus[piece], rise[some], rise[some] + WIDTH_NS])
        kinds = np.repeat(np.array([1, 2, 3], np.uint8), [len(piece), len(some), len(some)])
        order = np.argsort(times, kind="stable")
        writer.add_source(kinds[order], times[order])
        if observed:
            writer.add_observed(ObservedEdges(times + 10**12, kinds, np.arange(len(times), dtype=np.uint32)))
        elif stamped:
            edge = stimulus[some] - start_ns + 10**12
            high = edge + (rise - stimulus)[some] - 900
            sequence = np.searchsorted(answered, some).astype(np.uint32) + 1
            writer.add_board(BoardStamps(edge, high - 2_000, high, high + WIDTH_NS, sequence, sequence))
            if trace is not None:
                writer.add_trace(trace(edge, high))
        writer.commit()
    if not finish:
        return writer.record
    writer.finish("complete", "")
    return closed_record(writer)


def closed_record(writer: RunWriter) -> RunRecord:
    """Evaluate a run that has been written, and keep counts and summary in its record."""
    reader = RunReader(writer.directory)
    kept = reader.record
    stamps = reader.source(), reader.board()
    result = evaluate(*stamps, kept.window_ns, kept.deadline_ns, kept.source.captures, reader.observed())
    summary = result.summary(kept.virtual) | {"context": kept.context}
    changes = {"evidence": result.evidence, "counts": result.counts, "summary": summary}
    writer.save(kept.model_copy(update=changes))
    return RunReader(writer.directory).record
