"""An import from files to a run directory: read, look, accept."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import reduce
from pathlib import Path
from typing import Any

import numpy as np

from edgereply.analysis.arrays.uncertainty import KnownTo
from edgereply.errors import DataError, SettingError
from edgereply.evaluation.evaluate import Evaluation, evaluate
from edgereply.exchange.imports import preview
from edgereply.exchange.imports.accept import Labels, accept, edges_of, resolution_ns
from edgereply.exchange.imports.binary_files import array_times, is_binary, open_binary
from edgereply.exchange.imports.csv_reader import open_csv, read_times
from edgereply.exchange.imports.doubts import BUSY, doubts_of, high_share, looks_virtual
from edgereply.exchange.imports.files import Progress, check_file, digest_of, head_of, no_progress
from edgereply.exchange.imports.logic_levels import NotLogicError, read_logic
from edgereply.exchange.imports.recording import Recording, joined, renamed
from edgereply.exchange.imports.samples import SampleFile
from edgereply.exchange.imports.timeline import Roles, Timeline, roles_of, timeline
from edgereply.exchange.imports.vcd import read_vcd
from edgereply.exchange.imports.waveforms import Settings, read_waveforms
from edgereply.storage.run_record import RunRecord
from edgereply.storage.stamps import BoardStamps, RowBuilder, SourceStamps


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which channel is which and where its pulses go, as the person says it; "" or None where nothing was said."""

    stimulus: str = ""
    response: str = ""
    stimulus_low: bool | None = None
    response_low: bool | None = None


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
    unsaid: SettingError | None = None

    def document(self) -> dict[str, Any]:
        """The preview as JSON knows it."""
        return preview.document(self.recording, self.roles, self.line, self.virtual, self.result, self.doubts)

    def lines(self) -> list[str]:
        """The preview for a person."""
        return preview.lines(self.recording, self.roles, self.line, self.virtual, self.result, self.doubts)

    def accept(self, directory: Path, repeat: list[str]) -> RunRecord:
        """Write the run directory; see `accept.accept`.

        Raises:
            SettingError: nobody said where the pulses of a line go that is high most of the time.
        """
        if self.unsaid is not None:
            raise self.unsaid
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
    time_files: Sequence[Path] = (),
) -> Recording:
    """Read the files of one recording.

    Args:
        files: all VCD or none, in order of time; several that have different channels are matched by their times.
        response_files: files with the response, one for each of `files`, or none.
        settings: how to find edges.
        resolution: of the sampling behind a VCD or a list of changes, nanoseconds; None finds it.
        tell: progress.
        time_files: files with the times of `files`, one for each or one for all.

    Raises:
        DataError: a file is not what it should be.
        SettingError: an option does not go with these files.
    """
    kinds = {path: _is_vcd(path) for path in (*files, *response_files)}
    if len(set(kinds.values())) > 1:
        raise SettingError("CSV and VCD files are mixed", where=str(files[0]), remedy="import each recording by itself")
    if kinds[files[0]]:
        for given, option in (
            (response_files, "--response-file"), (settings.levels, "--levels"), (time_files, "--time-file"),
        ):  # fmt: skip
            if given:
                raise SettingError("a VCD has all lines in it and no volts", where=option, remedy=f"leave {option} out")
        return read_vcd(files, settings.glitch_ns, resolution, tell)
    first = open_tables(files, settings.interval_ns, time_files)
    second = open_tables(response_files, settings.interval_ns, time_files)
    origin = min((file.layout.origin_ns for file in (*first, *second) if file.layout.time is not None), default=0)
    for file in (*first, *second):
        if file.layout.time is not None:
            file.layout = replace(file.layout, start_ns=float(file.layout.origin_ns - origin))
    if second:
        found = joined(*(read_tables(part, settings, resolution, tell, beside=False) for part in (first, second)))
    else:
        found = read_tables(first, settings, resolution, tell)
    return replace(found, files=found.files | {path.name: digest_of(path) for path in time_files})


def open_tables(paths: Sequence[Path], interval_ns: float | None, time_files: Sequence[Path] = ()) -> list[SampleFile]:
    """Open files that are no VCD.

    Args:
        paths: in order of time.
        interval_ns: between samples, in place of what the files say.
        time_files: one for each of the paths or one for all, where the times stand apart from the values.

    Raises:
        DataError: a file is not what it should be.
        SettingError: there are not as many files of times.
    """
    if time_files and len(time_files) not in (1, len(paths)):
        raise SettingError(
            f"{len(time_files)} files of times for {len(paths)} files", where="--time-file",
            remedy="give one for all, or one for each in the same order",
        )  # fmt: skip
    found = []
    for number, path in enumerate(paths):
        times = None
        if time_files:
            apart = time_files[min(number, len(time_files) - 1)]
            check_file(apart)
            times = array_times(apart) if is_binary(apart) else read_times(apart)
        if is_binary(path):
            found += open_binary(path, interval_ns, times)
        else:
            found.append(open_csv(path, interval_ns, times))
    return found


def read_tables(
    files: Sequence[SampleFile], settings: Settings, resolution: float | None, tell: Progress, beside: bool = True
) -> Recording:
    """Read tables: those of the same channels one after another, others beside each other, matched by their times.

    Files of one channel each that call it alike cannot be one after another, since nothing would answer: they are
    channels too, by the names of their files.

    Args:
        files: opened.
        settings: how to find edges.
        resolution: of the sampling behind a list of changes, nanoseconds.
        tell: progress, of each group of files anew.
        beside: files of one channel each may be channels; otherwise they are one after another.

    Raises:
        DataError: a file is not what it should be, or files do not belong together.
        SettingError: an option does not go with these files.
    """
    groups: dict[tuple[str, ...], list[SampleFile]] = {}
    for file in files:
        groups.setdefault(tuple(file.layout.channels), []).append(file)
    names = [name for group in groups for name in group]
    # An archive may hold logic levels and volts; these belong together, however many channels there are.
    together = len({tuple(file.path for file in group) for group in groups.values()}) == 1
    if not together and any(len(group) > 1 for group in groups):
        mine, first = (", ".join(group) for group in list(groups)[1::-1])
        raise DataError(
            f"it has the channels {mine}; {files[0].path.name} has {first}",
            where=str(next(file.path for file in files if tuple(file.layout.channels) == list(groups)[1])),
            remedy="give files of the same channels, or of one channel each; a response in a file of its own goes to "
            "--response-file",
        )
    parts = list(groups.values())
    alike = beside and len(files) > 1 and len(names) == 1 and len({file.path.stem for file in files}) == len(files)
    if alike:
        parts = [[file] for file in files]
    found = []
    for part in parts:
        recording = _read_group(part, settings, resolution, set(names), tell)
        found.append(renamed(recording, {names[0]: part[0].path.stem}) if alike else recording)
    return reduce(joined, found)


def _read_group(
    files: Sequence[SampleFile], settings: Settings, resolution: float | None, names: set[str], tell: Progress
) -> Recording:
    """Read files of the same channels."""
    layout = files[0].layout
    mine = {name: levels for name, levels in settings.levels.items() if name in layout.channels}
    if unknown := sorted(set(settings.levels) - names):
        raise DataError(f"there is no channel {unknown[0]!r}", where="--levels", remedy=f"one of {', '.join(names)}")
    logic = all(len(file.layout.logic) == len(file.layout.channels) for file in files)
    if layout.sparse and mine:
        raise SettingError("logic levels have no volts", where="--levels", remedy="leave it out")
    if logic and not mine:
        try:
            return read_logic(files, settings.glitch_ns, resolution, tell)
        except NotLogicError:
            pass
    if resolution is not None:
        raise SettingError(
            "the resolution of samples follows from the time between them",
            where="--resolution",
            remedy="leave it out, or --interval",
        )
    return read_waveforms(files, replace(settings, levels=mine), tell)


def look(
    recording: Recording, wanted: Wanted, labels: Labels, settings: Settings, window_ns: int | None = None
) -> Found:
    """Pair stimuli and responses and say what is doubtful.

    Raises:
        SettingError: the channels cannot be told or are unknown, or the window is too short.
        DataError: there is no stimulus to judge.
    """
    low = bool(wanted.stimulus_low), bool(wanted.response_low)
    roles = roles_of(recording, wanted.stimulus, wanted.response, *low)
    least = math.ceil(resolution_ns(recording, roles))
    if window_ns is not None and window_ns < least:
        raise SettingError(
            f"a window of {window_ns:,} ns is shorter than what the recording can tell apart", where="--window",
            remedy=f"give at least {least:,} ns",
        )  # fmt: skip
    line = timeline(recording, roles, window_ns)
    virtual = looks_virtual(recording) if labels.virtual is None else labels.virtual
    result = _evaluate(line, labels.deadline_ns, KnownTo(resolution_ns(recording, roles), labels.tolerance_ppm))
    doubts = doubts_of(recording, roles, line, virtual, labels)
    how = {"hysteresis": settings.band, "glitch_ns": settings.glitch_ns}
    return Found(recording, roles, line, labels, virtual, result, doubts, how, _unsaid(recording, roles, wanted))


def _unsaid(recording: Recording, roles: Roles, wanted: Wanted) -> SettingError | None:
    """What to ask where a line is high most of the time and nobody said where its pulses go.

    Taken the wrong way round, every time is off by a pulse's width, and nothing else looks wrong.
    """
    for role, name, said in (
        ("stimulus", roles.stimulus, wanted.stimulus_low), ("response", roles.response, wanted.response_low),
    ):  # fmt: skip
        high = high_share(recording, name)
        if said is None and high > BUSY:
            return SettingError(
                f"{name} is high for {100 * high:.0f} % of the time: whether its pulses go low or high decides which "
                "of its edges counts",
                where=f"--active-low-{role}",
                remedy=f"say --active-low-{role} or --active-high-{role}",
            )
    return None


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
