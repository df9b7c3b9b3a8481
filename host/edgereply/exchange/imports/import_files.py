"""An import from files to a run directory: read, look, accept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from edgereply.analysis.arrays.uncertainty import KnownTo
from edgereply.errors import DataError, SettingError
from edgereply.evaluation.evaluate import Evaluation, evaluate
from edgereply.exchange.imports import preview
from edgereply.exchange.imports.accept import Labels, accept, edges_of, resolution_ns
from edgereply.exchange.imports.doubts import doubts_of, looks_virtual
from edgereply.exchange.imports.files import Progress, check_file, head_of, no_progress
from edgereply.exchange.imports.recording import Recording, joined
from edgereply.exchange.imports.timeline import Roles, Timeline, roles_of, timeline
from edgereply.exchange.imports.vcd import read_vcd
from edgereply.exchange.imports.waveforms import Settings, read_waveforms
from edgereply.storage.run_record import RunRecord
from edgereply.storage.stamps import BoardStamps, RowBuilder, SourceStamps


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which channel is which, as the person says it; "" where nothing was said."""

    stimulus: str = ""
    response: str = ""
    stimulus_low: bool = False
    response_low: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """A recording that was looked at and can be accepted."""

    recording: Recording
    roles: Roles
    line: Timeline
    labels: Labels
    virtual: bool
    result: Evaluation
    doubts: list[str]
    settings: dict[str, Any] = field(default_factory=dict)

    def document(self) -> dict[str, Any]:
        """The preview as JSON knows it."""
        return preview.document(self.recording, self.roles, self.line, self.virtual, self.result, self.doubts)

    def lines(self) -> list[str]:
        """The preview for a person."""
        return preview.lines(self.recording, self.roles, self.line, self.virtual, self.result, self.doubts)

    def accept(self, directory: Path, repeat: list[str]) -> RunRecord:
        """Write the run directory; see `accept.accept`."""
        return accept(
            self.recording, self.roles, self.line, self.labels, self.virtual, self.settings, self.doubts, directory,
            repeat,
        )  # fmt: skip


def read(
    files: Sequence[Path],
    response_files: Sequence[Path],
    settings: Settings,
    resolution: float | None = None,
    tell: Progress = no_progress,
) -> Recording:
    """Read the files of one recording.

    Args:
        files: all CSV or all VCD, in order of time.
        response_files: CSV files with the response, one for each of `files`, or none.
        settings: how to find edges.
        resolution: of a VCD's sampling, nanoseconds; None finds it.
        tell: progress.

    Raises:
        DataError: a file is not what it should be.
        SettingError: an option does not go with these files.
    """
    kinds = {path: _is_vcd(path) for path in (*files, *response_files)}
    if len(set(kinds.values())) > 1:
        raise SettingError("CSV and VCD files are mixed", where=str(files[0]), remedy="import each recording by itself")
    if kinds[files[0]]:
        for given, option in ((response_files, "--response-file"), (settings.levels, "--levels")):
            if given:
                raise SettingError("a VCD has all lines in it and no volts", where=option, remedy=f"leave {option} out")
        return read_vcd(files, settings.glitch_ns, resolution, tell)
    if resolution is not None:
        raise SettingError(
            "the resolution of a CSV follows from its samples",
            where="--resolution",
            remedy="leave it out, or --interval",
        )
    recording = read_waveforms(files, settings, tell)
    return joined(recording, read_waveforms(response_files, settings, tell)) if response_files else recording


def look(
    recording: Recording, wanted: Wanted, labels: Labels, settings: Settings, window_ns: int | None = None
) -> Found:
    """Pair stimuli and responses and say what is doubtful.

    Raises:
        SettingError: the channels cannot be told or are unknown.
        DataError: there is no stimulus to judge.
    """
    roles = roles_of(recording, wanted.stimulus, wanted.response, wanted.stimulus_low, wanted.response_low)
    line = timeline(recording, roles, window_ns)
    virtual = looks_virtual(recording) if labels.virtual is None else labels.virtual
    result = _evaluate(line, labels.deadline_ns, KnownTo(resolution_ns(recording, roles), labels.tolerance_ppm))
    doubts = doubts_of(recording, roles, line, virtual, labels)
    how = {"hysteresis": settings.band, "glitch_ns": settings.glitch_ns}
    return Found(recording, roles, line, labels, virtual, result, doubts, how)


def _evaluate(line: Timeline, deadline_ns: int | None, known_to: KnownTo) -> Evaluation:
    rows = RowBuilder()
    stamps = SourceStamps.concatenate([rows.feed(*edges_of(line)), rows.finish()])
    nothing = np.empty(0, np.int64)
    board = BoardStamps(nothing, nothing, nothing, nothing, nothing.astype(np.uint32), nothing.astype(np.uint32))
    result = evaluate(stamps, board, line.window_ns, deadline_ns)
    return result.as_imported(known_to)


def _is_vcd(path: Path) -> bool:
    check_file(path)
    head = head_of(path, 4096).lstrip()
    if head.startswith(b"$"):
        return True
    if path.suffix.lower() == ".vcd":
        raise DataError(
            "it does not begin like a VCD, with a '$'",
            where=f"{path}:1",
            remedy="export it again, or rename it if it is CSV",
        )
    return False
