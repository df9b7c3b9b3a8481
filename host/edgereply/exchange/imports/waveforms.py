"""Tables of samples into edges: one pass for the state levels, one for the crossings."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

import numpy as np

from edgereply.analysis.arrays.aliases import Floats
from edgereply.analysis.pairing.glitches import lasting, short_pulses
from edgereply.errors import DataError
from edgereply.exchange.imports.crossings import BetweenStates, CrossingFinder, Crossings, EnvelopeFinder
from edgereply.exchange.imports.files import Progress, Told, digest_of, no_progress
from edgereply.exchange.imports.recording import Channel, Recording, Segment, Trace
from edgereply.exchange.imports.samples import SampleFile, known_levels
from edgereply.exchange.imports.state_levels import StateLevels
from edgereply.exchange.imports.waveform_survey import Stretch, Survey
from edgereply.wording.numbers import exactly

MOST_EDGES: Final = 20_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """How edges are found.

    Attributes:
        band: half the hysteresis about the 50 % level, as a part of the amplitude.
        glitch_ns: levels that last less are taken out; 0 keeps all.
        interval_ns: between samples, in place of what the file says.
        levels: low and high state by channel, in place of the histogram's.
    """

    band: float = 0.1
    glitch_ns: int = 0
    interval_ns: float | None = None
    levels: Mapping[str, tuple[float, float]] = field(default_factory=dict)


def read_waveforms(files: Sequence[SampleFile], settings: Settings, tell: Progress = no_progress) -> Recording:
    """Read tables of samples; each file holds one segment or more of the same channels.

    Args:
        files: one or more, in order of time.
        settings: how to find edges.
        tell: progress, bytes done and to do over both passes.

    Raises:
        DataError: a file is not what it should be, or the files have different channels.
    """
    layout = files[0].layout
    _alike(files)
    if unknown := sorted(set(settings.levels) - set(layout.channels)):
        raise DataError(
            f"there is no channel {unknown[0]!r}", where="--levels", remedy=f"one of {', '.join(layout.channels)}"
        )
    survey = Survey()
    told = Told(tell, 2 * sum(file.size for file in files))
    for file in files:
        survey.read(file, told)
        told.next(file.size)
    levels = survey.levels(settings.levels)
    channels = {
        name: ChannelEdges(levels[name], survey.quanta[name], settings, layout.unit) for name in layout.channels
    }
    if any(stretch.uneven for stretch in survey.stretches):
        _not_a_list_of_levels(files, channels)
    segments = []
    for file in files:
        segments += _segments(file, [item for item in survey.stretches if item.file is file], channels, told)
        told.next(file.size)
    return Recording(
        kind=layout.kind,
        files={file.path.name: digest_of(file.path) for file in files},
        layout=layout.words() | _spacing(survey.stretches),
        channels={name: channel.found(name, survey.unknown.get(name, 0)) for name, channel in channels.items()},
        segments=segments,
        continuous=_continuous(segments) if layout.time is not None else len(segments) == 1,
        header="\n".join(layout.header),
        doubts=_doubts(files, survey.stretches, channels),
    )


def _alike(files: Sequence[SampleFile]) -> None:
    for file in files:
        if list(file.layout.channels) != list(files[0].layout.channels):
            mine, first = (", ".join(item.layout.channels) for item in (file, files[0]))
            raise DataError(
                f"it has the channels {mine}; {files[0].path.name} has {first}",
                where=str(file.path),
                remedy="give files of the same channels; a response in a file of its own goes to --response-file",
            )


def _not_a_list_of_levels(files: Sequence[SampleFile], channels: Mapping[str, ChannelEdges]) -> None:
    """Refuse a list of changes in volts: a line from one row to the next would be no edge.

    Raises:
        DataError: samples are spaced unevenly and every channel knows two values only.
    """
    moving = [channel for channel in channels.values() if channel.amplitude]
    if moving and all(channel.two_valued for channel in moving):
        raise DataError(
            "rows at irregular times with two values only: a list of changes in volts, which says nothing about the "
            "time between its rows",
            where=str(files[0].path),
            remedy="export samples, or the changes as logic levels 0 and 1",
        )


class ChannelEdges:
    """Edges of one channel, segment by segment."""

    def __init__(self, levels: StateLevels, quantum: float, settings: Settings, unit: str) -> None:
        self._levels, self._quantum, self._settings, self._unit = levels, quantum, settings, unit
        self._noise = math.hypot(levels.noise, quantum / math.sqrt(12.0))
        self._finder: CrossingFinder | EnvelopeFinder | None = None
        self.between_states = False
        self._parts: list[Crossings] = []
        self._edges = self._several = self._glitches = self._short = 0
        self._square = self._longest_short = 0.0

    @property
    def amplitude(self) -> float:
        """Between the two states."""
        return self._levels.amplitude

    @property
    def two_valued(self) -> bool:
        """Whether there are samples of the two states only, none between them."""
        return self._quantum > 0.9 * self._levels.amplitude

    def begin(self, interval_ns: float = 0.0) -> None:
        """A segment begins; one of an envelope has the time that a pair of rows stands for."""
        levels, band = self._levels, self._settings.band
        self._parts = []
        self._finder = None
        if levels.high > levels.low and interval_ns:
            self._finder = EnvelopeFinder(levels.low, levels.high, interval_ns, band=band)
        elif levels.high > levels.low:
            self._finder = CrossingFinder(levels.low, levels.high, band=band, noise=self._noise)

    def feed(self, time_ns: Floats, values: Floats) -> None:
        """Samples of the segment.

        Raises:
            ValueError: too many edges.
        """
        if self._finder is None:
            return
        try:
            part = self._finder.feed(time_ns, values)
        except BetweenStates:
            # A channel without two states has no edges; the others' are as good as ever.
            self.between_states, self._finder = True, None
            return
        self._parts.append(part)
        self._edges += part.at.size
        self._several += int(np.count_nonzero(part.several))
        self._square += float((part.uncertainty**2).sum())
        if self._edges > MOST_EDGES:
            raise ValueError(f"more than {MOST_EDGES:,} edges")

    def end(self, jitter_ns: float) -> Trace:
        """Edges of the segment; `jitter_ns` is how far printed times stray."""
        at = np.concatenate([np.empty(0), *(part.at for part in self._parts)])
        rising = np.concatenate([np.empty(0, np.bool_), *(part.rising for part in self._parts)])
        self._square += at.size * jitter_ns**2 / 12.0
        keep = lasting(at, rising, float(self._settings.glitch_ns))
        self._glitches += int(np.count_nonzero(~keep))
        at, rising = at[keep], rising[keep]
        count, longest = short_pulses(at, rising)
        self._short, self._longest_short = self._short + count, max(self._longest_short, longest)
        return Trace(at, rising)

    def found(self, name: str, unknown: int) -> Channel:
        """The channel over all segments; `unknown` counts changes to an unknown level."""
        # Stamps are stored as whole nanoseconds, which is one more rectangle.
        resolution = math.sqrt(12.0 * self._square / max(1, self._edges) + 1.0)
        return Channel(
            name=name,
            unit=self._unit,
            levels=self._levels,
            quantum=self._quantum,
            resolution_ns=resolution,
            crossed_again=self._several,
            glitches=self._glitches,
            short=(self._short, self._longest_short),
            unknown=unknown,
        )


def _segments(
    file: SampleFile, stretches: Sequence[Stretch], channels: Mapping[str, ChannelEdges], told: Progress
) -> list[Segment]:
    """The second pass over one file."""
    segments: list[Segment] = []
    place, before = -1, 0
    last: dict[str, float] = {}
    for samples in file.read(told):
        if samples.segment >= len(stretches):
            raise DataError("the file changed while it was read", where=str(file.path), remedy="import it again")
        if samples.segment != place:
            segments += [_close(stretches, place, channels)] if place >= 0 else []
            place, before, last = samples.segment, 0, {}
            for channel in channels.values():
                channel.begin(stretches[place].interval_ns if stretches[place].envelope else 0.0)
        time = stretches[place].times(samples, before)
        before += time.size
        for name, channel in channels.items():
            values, at = samples.values[name], time
            if name in file.layout.logic:
                values, _ = known_levels(values, last.get(name, math.nan))
                last[name] = float(values[-1])
                at, values = at[~np.isnan(values)], values[~np.isnan(values)]
            try:
                channel.feed(at, values)
            except ValueError as error:
                raise DataError(
                    f"{name}: {error}", where=f"{file.path}:{samples.line}",
                    remedy="give its levels with --levels, widen --hysteresis, or take short pulses out with --glitch",
                ) from error  # fmt: skip
    return [*segments, _close(stretches, place, channels)] if place >= 0 else segments


def _close(stretches: Sequence[Stretch], place: int, channels: Mapping[str, ChannelEdges]) -> Segment:
    stretch = stretches[place]
    several = f" segment {place + 1}" if len(stretches) > 1 else ""
    return Segment(
        where=f"{stretch.file.path.name}{several}",
        start_ns=stretch.first + stretch.file.layout.start_ns,
        length_ns=round(stretch.length_ns),
        samples=stretch.count,
        traces={name: channel.end(stretch.stray_ns) for name, channel in channels.items()},
    )


def _spacing(stretches: Sequence[Stretch]) -> dict[str, str]:
    known = [item for item in stretches if item.count > 1]
    if any(item.envelope for item in known):
        steps = [item.interval_ns for item in known if item.envelope]
        return {"two rows a time (envelope)": f"the extremes of {_range(min(steps), max(steps))}"}
    if any(item.uneven for item in known):
        least, most = min(item.least for item in known), max(item.most for item in known)
        return {"sample interval": f"uneven, {_range(least, most)}"}
    steps = [item.even_ns or item.step for item in known]
    return {"sample interval": _range(min(steps), max(steps))} if steps else {}


def _range(low_ns: float, high_ns: float) -> str:
    low, high = (_span(value) for value in (low_ns, high_ns))
    return low if low == high else f"{low} to {high}"


def _span(value_ns: float) -> str:
    whole = round(value_ns)
    return exactly(whole) if whole and abs(value_ns - whole) < 1e-4 * value_ns else f"{value_ns:.5g} ns"


def _continuous(segments: Sequence[Segment]) -> bool:
    return all(a.start_ns + a.length_ns < b.start_ns for a, b in pairwise(segments))


def _doubts(
    files: Sequence[SampleFile], stretches: Sequence[Stretch], channels: Mapping[str, ChannelEdges]
) -> list[str]:
    doubts = list(dict.fromkeys(doubt for file in files for doubt in file.layout.doubts))
    doubts += dict.fromkeys(doubt for item in stretches for doubt in item.doubts())
    doubts += [
        f"{name}: it stays between its two states, so it has no edges: is it the right channel? --levels sets them"
        for name, channel in channels.items()
        if channel.between_states
    ]
    return doubts + without_values(files)


def without_values(files: Sequence[SampleFile]) -> list[str]:
    """What to say of rows that hold no values."""
    count = sum(file.without_values for file in files)
    return [f"{count:,} rows without values were left out"] if count else []
