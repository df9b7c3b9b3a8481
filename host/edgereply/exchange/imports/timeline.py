"""Stimuli and responses of a recording on one time line, and which channel is which."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.pairing.observed import affordable_window_ns, observed
from edgereply.analysis.pairing.one_clock import pair
from edgereply.errors import DataError, SettingError
from edgereply.exchange.imports.csv_words import split_unit
from edgereply.exchange.imports.recording import Recording, Trace

USUAL_WINDOW_NS: Final = 100_000_000
_APART_NS: Final = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Roles:
    """Which channel is which, and which of their edges begin a pulse.

    Attributes:
        stimulus, response: channels.
        stimulus_low, response_low: active low: pulses begin with the falling edge.
        guessed: nobody has said which is which.
    """

    stimulus: str
    response: str
    stimulus_low: bool = False
    response_low: bool = False
    guessed: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Timeline:
    """Edges in order of time, int64 nanoseconds; segments that share no clock are set apart by more than the window.

    Attributes:
        stimulus_ns, rise_ns, fall_ns: of stimuli, of responses' beginnings and ends.
        window_ns: an answer comes at most this long after its stimulus.
        late_stimuli, early_rises, late_rises: left out, see `Observed`.
    """

    stimulus_ns: Int64s
    rise_ns: Int64s
    fall_ns: Int64s
    window_ns: int
    late_stimuli: int
    early_rises: int
    late_rises: int


def roles_of(
    recording: Recording, stimulus: str, response: str, stimulus_low: bool = False, response_low: bool = False
) -> Roles:
    """Name the channels; of two, what is not named follows from the other or from which comes first.

    Args:
        recording: as read.
        stimulus, response: channel names or the end of one after a dot; "" where not said.
        stimulus_low, response_low: active low.

    Raises:
        SettingError: a name is unknown, both are the same, or there are more than two channels to choose from.
        DataError: there is only one channel, or none of the two has an edge.
    """
    names = list(known_names(recording, stimulus, response))
    if names[0] and names[0] == names[1]:
        raise SettingError("stimulus and response are the same channel", where=names[0], remedy="name two channels")
    if len(recording.channels) < 2:
        raise DataError(
            "there is only one channel", where=", ".join(recording.files),
            remedy="give the file with the response by --response-file, or export both channels",
        )  # fmt: skip
    moving = [name for name in recording.channels if recording.edges(name)]
    guessed = not any(names)
    for place in (0, 1):
        if not names[place] and names[1 - place]:
            rest = [name for name in moving if name != names[1 - place]]
            names[place] = rest[0] if len(rest) == 1 else ""
    if guessed and len(moving) == 2:
        names = _first_first(recording, moving, stimulus_low, response_low)
    if not all(names):
        moved = f"of {len(recording.channels)} channels {len(moving)} change"
        raise SettingError(
            f"which channel is which cannot be told: {moved}", where=", ".join(recording.channels),
            remedy="name them with --stimulus and --response" if len(moving) > 1 else
            "is the signal connected, and its range set so that both states are seen? --levels sets them by hand",
        )  # fmt: skip
    return Roles(
        stimulus=names[0], response=names[1], stimulus_low=stimulus_low, response_low=response_low, guessed=guessed
    )


def known_names(recording: Recording, stimulus: str, response: str) -> tuple[str, str]:
    """Channels that a person names, as the recording has them; "" where nothing was said.

    Args:
        recording: as read.
        stimulus, response: channel names, with their units as a heading has them or without, or the end after a dot.

    Raises:
        SettingError: a name is unknown.
    """
    return _known(recording, stimulus, "--stimulus"), _known(recording, response, "--response")


def timeline(recording: Recording, roles: Roles, window_ns: int | None = None) -> Timeline:
    """Put the edges of all segments on one line and leave out what was not watched long enough.

    Args:
        recording: as read.
        roles: which channel is which.
        window_ns: an answer comes at most this long after its stimulus; None takes 100 ms or what it affords.

    Raises:
        DataError: there is no stimulus that was watched for the window.
    """
    lengths = np.array([segment.length_ns for segment in recording.segments], np.int64)
    own = [_pulses(segment.traces[roles.stimulus], roles.stimulus_low)[0] for segment in recording.segments]
    watched = np.concatenate([np.empty(0, np.int64), *(n - at for n, at in zip(lengths, own, strict=True))])
    if not watched.size:
        raise DataError(
            f"channel {roles.stimulus} has no stimulus edge", where=", ".join(recording.files),
            remedy="is it the right channel, are its levels right (--levels), do its pulses go low "
            "(--active-low-stimulus)?",
        )  # fmt: skip
    window = affordable_window_ns(watched, USUAL_WINDOW_NS) if window_ns is None else window_ns
    starts = _starts(recording, lengths, window)
    stimulus = np.concatenate([start + at for start, at in zip(starts, own, strict=True)])
    rises, falls = [np.empty(0, np.int64)], [np.empty(0, np.int64)]
    for start, segment in zip(starts, recording.segments, strict=True):
        rise, fall = _pulses(segment.traces[roles.response], roles.response_low)
        rises.append(start + rise)
        # The end of the recording ends no pulse: such a one has no fall.
        falls.append(np.where(fall >= 0, start + fall, -1))
    rise, fall = np.concatenate(rises), np.concatenate(falls)
    found = observed(pair(stimulus, rise, fall[fall >= 0], window), rise, starts, starts + lengths, window)
    if not found.stimulus.any():
        raise DataError(
            f"no stimulus is followed by a whole window of {window:,} ns", where=", ".join(recording.files),
            remedy="give a shorter --window, or record for longer",
        )  # fmt: skip
    fall = fall[found.rise]
    return Timeline(
        stimulus[found.stimulus], rise[found.rise], fall[fall >= 0], window, found.late_stimuli, found.early_rises,
        found.late_rises,
    )  # fmt: skip


def _pulses(trace: Trace, low: bool) -> tuple[Int64s, Int64s]:
    """Beginnings of pulses, and the end of each, -1 where the segment ends before."""
    at = np.rint(trace.at_ns).astype(np.int64)
    begins = np.flatnonzero(trace.rising != low)
    ends = np.append(at, -1)[begins + 1]
    return at[begins], ends


def _starts(recording: Recording, lengths: Int64s, window_ns: int) -> Int64s:
    """Where each segment begins on the common line, from 0."""
    if recording.continuous:
        starts = np.array([segment.start_ns for segment in recording.segments])
        real: Int64s = np.rint(starts - starts[0]).astype(np.int64)
        return real
    apart = lengths + 2 * window_ns + _APART_NS
    return np.concatenate([np.zeros(1, np.int64), np.cumsum(apart)[:-1]])


def _known(recording: Recording, name: str, option: str) -> str:
    if not name or name in recording.channels:
        return name
    plain = split_unit(name)[0]
    if plain in recording.channels:
        return plain
    ends = [known for known in recording.channels if known.rpartition(".")[2] == name]
    if len(ends) == 1:
        return ends[0]
    listed = ", ".join(list(recording.channels)[:20])
    raise SettingError(f"there is no channel {name!r}", where=option, remedy=f"one of: {listed}")


def _first_first(recording: Recording, names: list[str], stimulus_low: bool, response_low: bool) -> list[str]:
    """The channel whose pulses are followed sooner by the other's is the stimulus."""
    waits = []
    for first, second in ((0, 1), (1, 0)):
        lags = []
        for segment in recording.segments:
            begin = _pulses(segment.traces[names[first]], stimulus_low)[0]
            answer = _pulses(segment.traces[names[second]], response_low)[0]
            place = np.searchsorted(answer, begin)
            there = place < answer.size
            lags.append(answer[place[there]] - begin[there])
        all_lags = np.concatenate(lags)
        waits.append(float(np.median(all_lags)) if all_lags.size else float("inf"))
    return names if waits[0] <= waits[1] else names[::-1]
