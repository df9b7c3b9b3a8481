"""Oscilloscope CSV into edges: one pass for the state levels, one for the crossings."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Final

import numpy as np

from edgereply.analysis.arrays.aliases import Floats
from edgereply.analysis.pairing.glitches import lasting, short_pulses
from edgereply.errors import DataError
from edgereply.exchange.imports.crossings import CrossingFinder, Crossings
from edgereply.exchange.imports.csv_layout import CsvLayout, find_layout
from edgereply.exchange.imports.csv_reader import read_samples
from edgereply.exchange.imports.files import Progress, Told, check_file, digest_of, no_progress
from edgereply.exchange.imports.recording import Channel, Recording, Segment, Trace
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


def read_waveforms(paths: Sequence[Path], settings: Settings, tell: Progress = no_progress) -> Recording:
    """Read oscilloscope CSV files; each holds one segment or more of the same channels.

    Args:
        paths: one or more files, in order of time.
        settings: how to find edges.
        tell: progress, bytes done and to do over both passes.

    Raises:
        DataError: a file is not what it should be, or the files have different channels.
    """
    sizes = [check_file(path) for path in paths]
    layouts = [find_layout(path, settings.interval_ns) for path in paths]
    _alike(paths, layouts)
    if unknown := sorted(set(settings.levels) - set(layouts[0].channels)):
        raise DataError(
            f"there is no channel {unknown[0]!r}", where="--levels", remedy=f"one of {', '.join(layouts[0].channels)}"
        )
    survey = Survey()
    told = Told(tell, 2 * sum(sizes))
    for path, layout, size in zip(paths, layouts, sizes, strict=True):
        survey.read(path, layout, told)
        told.next(size)
    levels = survey.levels(settings.levels)
    channels = {name: _ChannelEdges(levels[name], survey.quanta[name], settings) for name in layouts[0].channels}
    segments = []
    for path, layout, size in zip(paths, layouts, sizes, strict=True):
        stretches = [item for item in survey.stretches if item.file == path]
        segments += _segments(path, layout, stretches, channels, told)
        told.next(size)
    found = {name: channel.found(name) for name, channel in channels.items()}
    return Recording(
        kind="oscilloscope CSV",
        files={path.name: digest_of(path) for path in paths},
        layout=layouts[0].words() | _spacing(survey.stretches),
        channels=found,
        segments=segments,
        continuous=_continuous(survey.stretches) if layouts[0].time is not None else len(segments) == 1,
        header="\n".join(layouts[0].header),
        doubts=_doubts(layouts, survey.stretches),
    )


def _alike(paths: Sequence[Path], layouts: Sequence[CsvLayout]) -> None:
    for path, layout in zip(paths, layouts, strict=True):
        if list(layout.channels) != list(layouts[0].channels):
            mine, first = (", ".join(item.channels) for item in (layout, layouts[0]))
            raise DataError(
                f"it has the channels {mine}; {paths[0].name} has {first}",
                where=str(path),
                remedy="give files of the same channels; a response in a file of its own goes to --response-file",
            )


class _ChannelEdges:
    """Edges of one channel, segment by segment."""

    def __init__(self, levels: StateLevels, quantum: float, settings: Settings) -> None:
        self._levels, self._quantum, self._settings = levels, quantum, settings
        self._noise = math.hypot(levels.noise, quantum / math.sqrt(12.0))
        self._finder: CrossingFinder | None = None
        self._parts: list[Crossings] = []
        self._edges = self._several = self._glitches = self._short = 0
        self._square = self._longest_short = 0.0

    def begin(self) -> None:
        """A segment begins."""
        levels = self._levels
        self._parts = []
        self._finder = (
            CrossingFinder(levels.low, levels.high, band=self._settings.band, noise=self._noise)
            if levels.high > levels.low
            else None
        )

    def feed(self, time_ns: Floats, values: Floats) -> None:
        """Samples of the segment."""
        if self._finder is not None:
            part = self._finder.feed(time_ns, values)
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

    def found(self, name: str) -> Channel:
        """The channel over all segments."""
        # Stamps are stored as whole nanoseconds, which is one more rectangle.
        resolution = math.sqrt(12.0 * self._square / max(1, self._edges) + 1.0)
        return Channel(
            name=name,
            unit="V",
            levels=self._levels,
            quantum=self._quantum,
            resolution_ns=resolution,
            crossed_again=self._several,
            glitches=self._glitches,
            short=(self._short, self._longest_short),
        )


def _segments(
    path: Path, layout: CsvLayout, stretches: Sequence[Stretch], channels: Mapping[str, _ChannelEdges], told: Progress
) -> list[Segment]:
    """The second pass over one file."""
    segments: list[Segment] = []
    place, before = -1, 0
    for samples in read_samples(path, layout, told):
        if samples.segment >= len(stretches):
            raise DataError("the file changed while it was read", where=str(path), remedy="import it again")
        if samples.segment != place:
            segments += [_close(path, layout, stretches, place, channels)] if place >= 0 else []
            place, before = samples.segment, 0
            for channel in channels.values():
                channel.begin()
        time = stretches[place].times(samples, layout, before)
        before += time.size
        for name, channel in channels.items():
            try:
                channel.feed(time, samples.values[name])
            except ValueError as error:
                raise DataError(
                    f"{name}: {error}", where=f"{path}:{samples.line}",
                    remedy="check its levels with --preview, give them with --levels, or widen --hysteresis",
                ) from error  # fmt: skip
    return [*segments, _close(path, layout, stretches, place, channels)] if place >= 0 else segments


def _close(
    path: Path, layout: CsvLayout, stretches: Sequence[Stretch], place: int, channels: Mapping[str, _ChannelEdges]
) -> Segment:
    stretch = stretches[place]
    several = f" segment {place + 1}" if len(stretches) > 1 else ""
    stray = 0.0 if layout.time is None or stretch.count < 3 else min(stretch.most - stretch.least, stretch.least)
    return Segment(
        where=f"{path.name}{several}",
        start_ns=stretch.first + (layout.start_ns if layout.time is None else 0.0),
        length_ns=round(stretch.last - stretch.first),
        samples=stretch.count,
        traces={name: channel.end(max(0.0, stray)) for name, channel in channels.items()},
    )


def _spacing(stretches: Sequence[Stretch]) -> dict[str, str]:
    steps = [item.step for item in stretches if item.count > 1]
    if not steps:
        return {}
    low, high = (_span(value) for value in (min(steps), max(steps)))
    return {"sample interval": low if low == high else f"{low} to {high}"}


def _span(value_ns: float) -> str:
    whole = round(value_ns)
    return exactly(whole) if whole and abs(value_ns - whole) < 1e-4 * value_ns else f"{value_ns:.5g} ns"


def _continuous(stretches: Sequence[Stretch]) -> bool:
    return all(a.last < b.first for a, b in pairwise(stretches))


def _doubts(layouts: Sequence[CsvLayout], stretches: Sequence[Stretch]) -> list[str]:
    doubts = list(dict.fromkeys(doubt for layout in layouts for doubt in layout.doubts))
    if any(item.stands for item in stretches):
        doubts.append("times are printed too coarsely to tell neighbouring samples apart: even spacing is taken")
    return doubts
