"""A recording that was accepted becomes a run directory like any other, its grade `imported`."""

from __future__ import annotations

import math
import uuid
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from edgereply.evaluation.load_view import evaluate_run
from edgereply.exchange.imports.recording import Recording
from edgereply.exchange.imports.timeline import Roles, Timeline
from edgereply.storage.run_reader import RunReader
from edgereply.storage.run_record import RunRecord, SourceRecord, now_iso
from edgereply.storage.run_writer import RunWriter
from edgereply.storage.stamps import FALL, RISE, STIMULUS
from edgereply.version import TOOL

USUAL_PPM = 100.0
_BATCH = 500_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Labels:
    """What the person says about the recording.

    Attributes:
        board: what answered.
        title: of the run.
        virtual: no real board took part; None believes the file.
        clock_ppm: the sample clock's rate is within ± this; None takes 100.
        deadline_ns: later answers count as late.
        instrument: what recorded it.
    """

    board: str = "board"
    title: str = ""
    virtual: bool | None = None
    clock_ppm: float | None = None
    deadline_ns: int | None = None
    instrument: str = ""

    @property
    def tolerance_ppm(self) -> float:
        """The sample clock's tolerance, said or taken."""
        return USUAL_PPM if self.clock_ppm is None else self.clock_ppm


def resolution_ns(recording: Recording, roles: Roles) -> float:
    """Resolution of one stamp such that two of them have the uncertainty of a stimulus and a response together."""
    both = [recording.channels[name].resolution_ns for name in (roles.stimulus, roles.response)]
    return math.hypot(*both) / math.sqrt(2.0)


def accept(
    recording: Recording,
    roles: Roles,
    line: Timeline,
    labels: Labels,
    virtual: bool,
    settings: dict[str, Any],
    doubts: Sequence[str],
    directory: Path,
    repeat: list[str],
) -> RunRecord:
    """Write the run directory.

    Args:
        recording, roles, line: as found and chosen.
        labels: what the person says.
        virtual: as said or found.
        settings: how edges were found, for the record.
        doubts: kept as warnings.
        directory: must not hold anything yet.
        repeat: the command that repeats the import.

    Raises:
        DataError: the directory is not empty.
        StoreError: it cannot be written.
    """  # fmt: skip
    channels = {
        role: {**_channel(recording, name), "active_low": low}
        for role, name, low in (
            ("stimulus", roles.stimulus, roles.stimulus_low),
            ("response", roles.response, roles.response_low),
        )
    }
    left_out = {"stimuli": line.late_stimuli, "early_responses": line.early_rises, "late_responses": line.late_rises}
    record = RunRecord(
        tool=TOOL,
        run_id=uuid.uuid4().hex,
        created=now_iso(),
        title=labels.title,
        board=labels.board,
        evidence="imported",
        virtual=virtual,
        requested={
            "board": {"responder": "recording"},
            "stimulus": {},
            "import": {
                "kind": recording.kind,
                "files": recording.files,
                "layout": recording.layout,
                "channels": channels,
                "segments": len(recording.segments),
                "common_clock": recording.continuous,
                "recorded_ns": recording.length_ns,
                "left_out": left_out,
                **settings,
            },
        },
        source=SourceRecord(
            kind="recording",
            model=labels.instrument or recording.kind,
            tolerance_ppm=labels.tolerance_ppm,
            resolution_ns=resolution_ns(recording, roles),
        ),
        deadline_ns=labels.deadline_ns,
        window_ns=line.window_ns,
        warnings=list(doubts),
        repeat=repeat,
    )
    writer = RunWriter(directory, record)
    kind, at_ns = edges_of(line)
    for start in range(0, len(at_ns), _BATCH):
        writer.add_source(kind[start : start + _BATCH], at_ns[start : start + _BATCH])
    writer.finish("complete", "")
    result = evaluate_run(RunReader(directory), labels.deadline_ns)
    update = {
        "finished": now_iso(),
        "counts": result.counts,
        "summary": result.summary(virtual=virtual),
        "warnings": [*writer.record.warnings, *result.notes],
    }
    writer.save(writer.record.model_copy(update=update))
    return writer.record


def edges_of(line: Timeline) -> tuple[np.ndarray[Any, np.dtype[np.uint8]], np.ndarray[Any, np.dtype[np.int64]]]:
    """All edges in order of time."""
    parts = ((STIMULUS, line.stimulus_ns), (RISE, line.rise_ns), (FALL, line.fall_ns))
    at_ns = np.concatenate([times for _, times in parts])
    kind = np.concatenate([np.full(times.size, of, np.uint8) for of, times in parts])
    order = np.argsort(at_ns, kind="stable")
    return kind[order], at_ns[order]


def _channel(recording: Recording, name: str) -> dict[str, Any]:
    channel = recording.channels[name]
    facts = asdict(channel)
    facts["short_pulses"], facts["longest_short_ns"] = facts.pop("short")
    return {**facts, "edges": recording.edges(name)}
