"""Tables of logic levels into edges: even samples, or a list of changes.

A logic analyser writes either a row a sample, or a row a change at whatever time it happened. Both look alike, and
differ in what is known: between two samples a line may have changed at any time (an edge lies in the middle, known to
the time between samples), while a list has the time of the change itself, known to its digits. It is a list where

- most rows have a change, which no sampling that could be trusted has, or
- times are irregular: more than a tenth of the steps differ from the usual one.

Where a list prints more digits than the instrument had, its times still are multiples of the sampling interval. The
largest such step is looked for among fractions of the shortest one and refined by ever longer ones, as one would
measure the pitch of a thread over one turn, then ten, then a hundred.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Floats, Places
from edgereply.analysis.pairing.glitches import lasting, short_pulses
from edgereply.errors import DataError, SettingError
from edgereply.exchange.imports.files import Progress, Told, digest_of, no_progress
from edgereply.exchange.imports.recording import Channel, Recording, Segment, Trace
from edgereply.exchange.imports.samples import SampleFile, Samples, known_levels
from edgereply.exchange.imports.waveform_survey import LEAP
from edgereply.exchange.imports.waveforms import MOST_EDGES, without_values

_MOSTLY: Final = 0.5
_ODD: Final = 0.1
_ALIKE: Final = 0.02
# Steps looked at for a common measure, and how many of them one must explain to be believed.
_STEPS, _ENOUGH = 5_000, 30
_FRACTIONS: Final = 10_000
# A step is this many times what digits leave open: one in two would agree by chance, thirty never.
_CLEAR: Final = 8


class NotLogicError(Exception):
    """The table holds something else than logic levels, or its times tell no change."""


@dataclass(slots=True)
class _Line:
    """Changes of one channel in one segment: time of the row, its number, direction; and what it was at the ends."""

    first: float = math.nan
    level: float = math.nan
    unknown: int = 0
    at: list[Floats] = field(default_factory=lambda: [np.empty(0)])
    row: list[Floats] = field(default_factory=lambda: [np.empty(0)])
    rising: list[Bools] = field(default_factory=lambda: [np.empty(0, np.bool_)])

    def add(self, values: Floats, time: Floats, row: Floats) -> Places:
        """Further levels; which of them differ from the one before.

        Raises:
            NotLogicError: a value is no level.
        """
        if not np.all((values == 0) | (values == 1) | np.isnan(values)):
            raise NotLogicError
        levels, turned = known_levels(values, self.level)
        before = np.concatenate([[self.level], levels[:-1]])
        # What is known first is a state, not an edge.
        change = np.flatnonzero((levels != before) & ~np.isnan(before))
        if math.isnan(self.first):
            self.first = next(iter(levels[~np.isnan(levels)][:1].tolist()), math.nan)
        self.level = float(levels[-1])
        self.unknown += turned
        self.at.append(time[change])
        self.row.append(row[change])
        self.rising.append(levels[change] == 1)
        return change


@dataclass(slots=True)
class _Stretch:
    """One segment: its rows' times, nanoseconds since the first, and the changes of every channel."""

    file: SampleFile
    number: int
    first: float
    last: float = 0.0
    rows: int = 0
    changed: int = 0
    odd: int = 0
    zeros: int = 0
    usual: float = 0.0
    most: float = 0.0
    leap_line: int = 0
    lines: dict[str, _Line] = field(default_factory=dict)

    def add(self, samples: Samples) -> int:
        """Further rows; how many edges they hold.

        Raises:
            NotLogicError: a value is no level.
        """
        layout = self.file.layout
        count = samples.time_ns.size
        row = np.arange(self.rows, self.rows + count, dtype=np.float64)
        if layout.sparse:
            row = samples.time_ns
        time = row * layout.interval_ns if layout.time is None or layout.forced else samples.time_ns - self.first
        self._steps(np.diff(time, prepend=self.last)[0 if self.rows else 1 :], samples.line)
        any_change = np.zeros(count, np.bool_)
        edges = 0
        for name, values in samples.values.items():
            change = self.lines.setdefault(name, _Line()).add(values, time, row)
            any_change[change] = True
            edges += change.size
        self.rows += count
        self.changed += int(np.count_nonzero(any_change))
        self.last = float(time[-1])
        return edges

    def _steps(self, steps: Floats, line: int) -> None:
        if not steps.size:
            return
        layout = self.file.layout
        self.usual = self.usual or float(np.median(steps))
        self.odd += int(np.count_nonzero(np.abs(steps - self.usual) > max(2.2 * self.digit_ns, 0.01 * self.usual)))
        self.zeros += int(np.count_nonzero(steps == 0))
        self.most = max(self.most, float(steps.max()))
        if not self.leap_line and self.usual and self.most > LEAP * self.usual and not layout.sparse:
            self.leap_line = line + (1 if not self.rows else 0) + int(steps.argmax())

    @property
    def samples(self) -> int:
        """Samples, also those that are left out since nothing changes."""
        layout = self.file.layout
        return round(self.last / layout.interval_ns) + 1 if layout.sparse else self.rows

    @property
    def digit_ns(self) -> float:
        """What the last digit of the latest time so far makes."""
        layout = self.file.layout
        largest = max(abs(self.first), abs(self.first + self.last)) / layout.unit_ns
        return layout.digits.step(largest) * layout.unit_ns if layout.digits else 0.0

    def even_ns(self) -> float:
        """Time between samples.

        Raises:
            DataError: time leaps.
        """
        layout = self.file.layout
        mean = self.last / max(1, self.rows - 1)
        if layout.time is None or layout.forced:
            return layout.interval_ns
        if layout.interval_ns and abs(mean - layout.interval_ns) <= _ALIKE * layout.interval_ns:
            return layout.interval_ns
        if self.leap_line:
            raise DataError(
                f"{layout.row} {self.leap_line}: time leaps by {self.most:g} ns where {self.usual:g} ns are usual: "
                "neither even samples nor a list of changes",
                where=f"{self.file.path}:{self.leap_line}", remedy="export the samples without a gap, or the changes",
            )  # fmt: skip
        return mean


@dataclass(slots=True)
class _Tally:
    """Edges of one channel over all segments."""

    glitch_ns: float
    traces: list[Trace] = field(default_factory=list)
    glitches: int = 0
    short: int = 0
    longest: float = 0.0

    def add(self, at: Floats, rising: Bools) -> None:
        keep = lasting(at, rising, max(self.glitch_ns, 1e-9))
        self.glitches += int(np.count_nonzero(~keep))
        at, rising = at[keep], rising[keep]
        count, longest = short_pulses(at, rising)
        self.short, self.longest = self.short + count, max(self.longest, longest)
        self.traces.append(Trace(at, rising))

    def channel(self, name: str, resolution_ns: float, unknown: int) -> Channel:
        return Channel(
            name=name, resolution_ns=resolution_ns, glitches=self.glitches, short=(self.short, self.longest),
            unknown=unknown,
        )  # fmt: skip


def read_logic(
    files: Sequence[SampleFile], glitch_ns: int = 0, resolution_ns: float | None = None, tell: Progress = no_progress
) -> Recording:
    """Read tables of logic levels; each holds one segment or more of the same channels.

    Args:
        files: one or more, in order of time.
        glitch_ns: levels that last less are taken out; 0 keeps all but those that last no time.
        resolution_ns: of the instrument's sampling, where a list's digits are finer.
        tell: progress.

    Raises:
        DataError: a file is damaged, evenly sampled but for a leap, or the files have different channels.
        SettingError: a resolution is given for even samples.
        NotLogicError: these are no logic levels after all.
    """
    stretches = _stretches(files, tell)
    layout = files[0].layout
    listed = _is_list(stretches)
    if listed:
        stretches = _one_clock(stretches)
        grain, topics, doubts = _grain(stretches, resolution_ns)
    elif resolution_ns is not None:
        raise SettingError(
            "the resolution of even samples is the time between them", where="--resolution",
            remedy="leave it out, or give --interval",
        )  # fmt: skip
    names = list(layout.channels)
    tally = {name: _Tally(float(glitch_ns)) for name in names}
    segments = []
    if not listed:
        steps = [item.even_ns() for item in stretches]
        grain, topics, doubts = max(steps), {"sample interval": f"{max(steps):.7g} ns"}, []
        doubts += _even_doubts(stretches, steps)
    for number, item in enumerate(stretches):
        length = item.last if listed else (item.samples - 1) * steps[number]
        for name in names:
            line = item.lines[name]
            at, row = np.concatenate(line.at), np.concatenate(line.row)
            if not listed:
                at = np.clip((row - 0.5) * steps[number], 0.0, length)
            tally[name].add(at, np.concatenate(line.rising))
        where = f" segment {item.number + 1}" if len(stretches) > 1 else ""
        segments.append(
            Segment(
                f"{item.file.path.name}{where}", item.first + item.file.layout.start_ns, round(length),
                0 if listed else item.samples, {name: tally[name].traces[-1] for name in names},
            )
        )  # fmt: skip
    return Recording(
        kind=layout.kind.replace("logic CSV", "CSV list of changes") if listed else layout.kind,
        files={file.path.name: digest_of(file.path) for file in files},
        layout=layout.words() | topics,
        channels={n: tally[n].channel(n, max(1.0, grain), sum(i.lines[n].unknown for i in stretches)) for n in names},
        segments=segments,
        continuous=len(segments) == 1
        or (layout.time is not None and all(a.start_ns + a.length_ns < b.start_ns for a, b in pairwise(segments))),
        header="\n".join(layout.header),
        doubts=[*dict.fromkeys(d for file in files for d in file.layout.doubts), *doubts, *without_values(files)],
    )


def _stretches(files: Sequence[SampleFile], tell: Progress) -> list[_Stretch]:
    told, found, edges = Told(tell, sum(file.size for file in files)), list[_Stretch](), 0
    for file in files:
        number = -1
        for samples in file.read(told):
            if samples.segment != number:
                number = samples.segment
                found.append(_Stretch(file, number, float(samples.time_ns[0]) if file.layout.time is not None else 0.0))
            edges += found[-1].add(samples)
            if edges > MOST_EDGES:
                raise DataError(
                    f"more than {MOST_EDGES:,} edges", where=f"{file.path}:{samples.line}",
                    remedy="cut the recording into parts",
                )  # fmt: skip
        told.next(file.size)
    if not found:
        raise DataError("there are no samples", where=str(files[0].path), remedy="export the recording again")
    return found


def _is_list(stretches: Sequence[_Stretch]) -> bool:
    """Whether the rows are changes; see the module's own words.

    Raises:
        NotLogicError: times stand still too often for either, as where they are printed too coarsely.
    """
    layout = stretches[0].file.layout
    if layout.time is None or layout.forced:
        return False
    steps = sum(max(0, item.rows - 1) for item in stretches)
    changed, odd, zeros = (sum(getattr(item, what) for item in stretches) for what in ("changed", "odd", "zeros"))
    if changed and changed >= _MOSTLY * steps:
        return True
    if zeros > _ODD * steps:
        if not layout.interval_ns:
            raise NotLogicError
        return False
    return bool(changed) and odd > _ODD * steps


def _one_clock(stretches: list[_Stretch]) -> list[_Stretch]:
    """Segments of a list that a blank line parted while time went on, as one: their steps are never even."""
    found: list[_Stretch] = []
    for item in stretches:
        last = found[-1] if found else None
        if last is None or last.file is not item.file or item.first < last.first + last.last:
            found.append(item)
            continue
        shift = item.first - last.first
        for name, line in item.lines.items():
            mine = last.lines[name]
            if not math.isnan(mine.level) and not math.isnan(line.first) and mine.level != line.first:
                # The first row of the later part is a change that only the row before it tells.
                mine.at.append(np.array([shift]))
                mine.row.append(np.array([float(last.rows)]))
                mine.rising.append(np.array([line.first == 1]))
            mine.at += [part + shift for part in line.at]
            mine.row += [part + last.rows for part in line.row]
            mine.rising += line.rising
            mine.level = mine.level if math.isnan(line.level) else line.level
            mine.unknown += line.unknown
        last.last, last.rows = shift + item.last, last.rows + item.rows
    return found


def _grain(stretches: Sequence[_Stretch], resolution_ns: float | None) -> tuple[float, dict[str, str], list[str]]:
    """How well a list's times are known, and what to say of it."""
    digit = max(item.digit_ns for item in stretches)
    if resolution_ns is not None:
        return (
            resolution_ns,
            {"rows": "a row a change", "resolution": f"{resolution_ns:g} ns, as --resolution says"},
            [],
        )
    times = [part for item in stretches for line in item.lines.values() for part in line.at]
    step = common_step(np.unique(np.concatenate(times)), digit)
    rows = {"rows": "a row a change, at irregular times"}
    if step > digit:
        return step, rows | {"all times are multiples of": f"{step:.5g} ns"}, []
    doubt = (
        "times are known to their last digit only: if the instrument sampled more coarsely, give the time between its "
        "samples with --resolution"
    )
    return digit, rows | {"last digit of the times": f"{digit:g} ns"}, [doubt]


def common_step(times_ns: Floats, digit_ns: float) -> float:
    """The largest step that all differences of times are multiples of, within what their digits leave open.

    Args:
        times_ns: shape (n,), rising, no two alike.
        digit_ns: what the last digit makes; 0 for binary numbers.

    Returns:
        Nanoseconds; 0.0 where there is none well above the digits, or too few times to tell.
    """
    steps = np.sort(np.diff(times_ns[: _STEPS + 1]))
    tolerance = 1.1 * digit_ns + 1e-6
    if steps.size < _ENOUGH:
        return 0.0
    for parts in range(1, _FRACTIONS + 1):
        if steps[0] / parts <= _CLEAR * tolerance:
            break
        step = _refined(steps, float(steps[0]) / parts, tolerance / parts, tolerance)
        # The longest step has told it best: all must agree within what that leaves open.
        off = np.abs(steps - np.rint(steps / step) * step) if step else steps
        if step > _CLEAR * tolerance and off.max() <= 2 * tolerance:
            return step
    return 0.0


def _refined(steps: Floats, step: float, error: float, tolerance: float) -> float:
    """A step that is known to an error, by ever longer multiples of it; 0.0 where one is no multiple."""
    for length in steps.tolist():
        turns = round(length / step)
        slack = tolerance + turns * error
        if slack > step / 2 or abs(length - turns * step) > slack:
            return 0.0
        if tolerance / turns < error:
            step, error = length / turns, tolerance / turns
    return step


def _even_doubts(stretches: Sequence[_Stretch], steps: Sequence[float]) -> list[str]:
    for item, step in zip(stretches, steps, strict=True):
        if item.file.layout.time is not None and item.zeros and not item.file.layout.forced:
            return [f"times are rounded: the interval that the header states is taken, {step:g} ns"]
    return []
