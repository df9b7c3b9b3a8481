"""What was found in a recording, before anybody has said which channel is which."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from edgereply.analysis.arrays.aliases import Bools, Floats
from edgereply.errors import DataError
from edgereply.exchange.imports.state_levels import StateLevels


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """Edges of one channel in one segment.

    Attributes:
        at_ns: shape (n,), float64, nanoseconds since the segment's start, rising.
        rising: shape (n,), bool, alternating.
    """

    at_ns: Floats
    rising: Bools


@dataclass(frozen=True, slots=True)
class Segment:
    """One unbroken stretch of recording, all channels on one clock.

    Attributes:
        where: file, and number of the segment where it has several.
        start_ns: start on the recording's own clock; only meaningful where the recording is continuous.
        length_ns: from its first to its last sample.
        samples: samples a channel; 0 where changes were recorded.
        traces: by channel.
    """

    where: str
    start_ns: float
    length_ns: int
    samples: int
    traces: dict[str, Trace]


@dataclass(frozen=True, slots=True)
class Channel:
    """One channel over the whole recording.

    Attributes:
        name: as the file names it.
        unit: of the levels; "" for logic values.
        levels: None for logic values.
        quantum: smallest difference between samples, same unit; 0 where it is not known.
        resolution_ns: width of the rectangle that a stamp's uncertainty is equal to (√12 times the standard
            uncertainty, quadratic mean over the edges).
        crossed_again: edges that crossed the 50 % level more than once within the hysteresis.
        glitches: edges taken out by the glitch filter.
        short: pulses far shorter than the usual, and the longest of them in nanoseconds.
        unknown: changes to an unknown or floating state (VCD x and z), which keep the level before.
    """

    name: str
    unit: str = ""
    levels: StateLevels | None = None
    quantum: float = 0.0
    resolution_ns: float = 0.0
    crossed_again: int = 0
    glitches: int = 0
    short: tuple[int, float] = (0, 0.0)
    unknown: int = 0


@dataclass(frozen=True, slots=True)
class Recording:
    """One or more files, read.

    Attributes:
        kind: "oscilloscope CSV" or "VCD".
        files: by name, SHA-256 of each.
        layout: how the files were read, in words, by topic.
        channels: by name, in the files' order.
        segments: in order.
        continuous: the time between segments is real; otherwise each has a clock of its own.
        header: the files' own words, for the preview; any text.
        doubts: what a person should look at before accepting.
    """

    kind: str
    files: dict[str, str]
    layout: dict[str, str]
    channels: dict[str, Channel]
    segments: list[Segment]
    continuous: bool
    header: str = ""
    doubts: list[str] = field(default_factory=list)

    @property
    def length_ns(self) -> int:
        """Recorded time, all segments together."""
        return sum(segment.length_ns for segment in self.segments)

    def edges(self, channel: str) -> int:
        """Number of edges of a channel."""
        return sum(segment.traces[channel].at_ns.size for segment in self.segments)


def renamed(recording: Recording, names: dict[str, str]) -> Recording:
    """The same with other names for its channels.

    Args:
        recording: as read.
        names: new name by old name, of every channel.
    """
    channels = {names[old]: replace(channel, name=names[old]) for old, channel in recording.channels.items()}
    segments = [
        replace(segment, traces={names[old]: trace for old, trace in segment.traces.items()})
        for segment in recording.segments
    ]
    return replace(recording, channels=channels, segments=segments)


def joined(first: Recording, second: Recording) -> Recording:
    """Channels that one instrument wrote to files of their own, as one recording.

    Times of both count from the same trigger; only what both hold is kept. A channel of the second whose name is taken
    gets " (response)" behind it.

    Raises:
        DataError: they have not as many segments, or a segment's files do not overlap in time.
    """
    if len(first.segments) != len(second.segments):
        raise DataError(
            f"{len(first.segments)} segments of the stimulus, {len(second.segments)} of the response",
            where=", ".join(second.files),
            remedy="give one file of the response for each of the stimulus, in the same order",
        )
    names = {name: name if name not in first.channels else f"{name} (response)" for name in second.channels}
    channels = first.channels | {new: replace(second.channels[old], name=new) for old, new in names.items()}
    segments = []
    for a, b in zip(first.segments, second.segments, strict=True):
        start = max(a.start_ns, b.start_ns)
        length = round(min(a.start_ns + a.length_ns, b.start_ns + b.length_ns) - start)
        if length <= 0:
            raise DataError(
                f"it does not overlap in time with {a.where}", where=b.where, remedy="are these of the same recording?"
            )
        traces = {name: _part(trace, start - a.start_ns, length) for name, trace in a.traces.items()}
        traces |= {names[name]: _part(trace, start - b.start_ns, length) for name, trace in b.traces.items()}
        segments.append(Segment(a.where, start, length, min(a.samples, b.samples), traces))
    return replace(
        first,
        files=first.files | second.files,
        channels=channels,
        segments=segments,
        continuous=first.continuous and second.continuous,
        doubts=list(dict.fromkeys((*first.doubts, *second.doubts))),
    )


def _part(trace: Trace, begin_ns: float, length_ns: int) -> Trace:
    at = trace.at_ns - begin_ns
    inside = (at >= 0) & (at <= length_ns)
    return Trace(at[inside], trace.rising[inside])
