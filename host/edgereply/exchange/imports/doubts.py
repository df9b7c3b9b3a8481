"""What a person should look at before a recording becomes evidence."""

from __future__ import annotations

import re
from typing import Final

import numpy as np

from edgereply.exchange.imports.accept import USUAL_PPM, Labels
from edgereply.exchange.imports.recording import Channel, Recording
from edgereply.exchange.imports.timeline import Roles, Timeline
from edgereply.wording.numbers import duration

_INVENTED: Final = re.compile(r"\b(?:virtual|simulat\w*|synthetic|invented|testbench)\b", re.IGNORECASE)
_SMALL_V: Final = 0.4
_BLURRED: Final = 10.0
BUSY: Final = 0.5


def looks_virtual(recording: Recording) -> bool:
    """Whether the file itself says that it comes from no real board."""
    return _INVENTED.search(recording.header) is not None


def doubts_of(recording: Recording, roles: Roles, line: Timeline, virtual: bool, labels: Labels) -> list[str]:
    """Everything doubtful, most serious first; an empty list is rare and good."""
    found = []
    if roles.guessed:
        found.append(
            f"nobody said which channel is which: {roles.stimulus} is taken as the stimulus because its pulses come "
            "first; name them with --stimulus and --response"
        )
    for name, low, role in (
        (roles.stimulus, roles.stimulus_low, "stimulus"),
        (roles.response, roles.response_low, "response"),
    ):
        found += _channel_doubts(recording.channels[name], role)
        high = high_share(recording, name)
        if (high > BUSY) != low:
            state = "high" if high > BUSY else "low"
            share = 100 * (high if high > BUSY else 1 - high)
            found.append(
                f"{name} is {state} for {share:.0f} % of the time: is it really active {'low' if low else 'high'}? "
                f"--active-low-{role} says that pulses go low"
            )
    if not line.rise_ns.size:
        found.append(f"{roles.response} has no response: every stimulus counts as missed")
    if line.late_stimuli or line.late_rises or line.early_rises:
        found.append(
            f"left out, since the answer or the stimulus may lie beyond the recording: {line.late_stimuli} stimuli and "
            f"{line.late_rises} responses near the end, {line.early_rises} responses near the beginning"
        )
    if not recording.continuous:
        found.append(
            f"{len(recording.segments):,} segments without a common clock are set one after another: the times between "
            "them are not real, so periods and bursts over segments mean nothing"
        )
    if labels.clock_ppm is None:
        found.append(
            f"the sample clock's tolerance is not given: {USUAL_PPM:g} ppm are taken; the instrument's data sheet has "
            "it (--clock-ppm)"
        )
    if virtual:
        found.append("it is taken as virtual: it says nothing about a board (--no-virtual if that is wrong)")
    elif recording.kind == "VCD":
        found.append("a VCD comes from a logic analyser or from a simulator: say --virtual if no real board took part")
    return found + recording.doubts


def _channel_doubts(channel: Channel, role: str) -> list[str]:
    name, levels, unit = f"{channel.name} ({role})", channel.levels, channel.unit
    found = []
    if levels is not None:
        if levels.amplitude < _SMALL_V and channel.unit == "V":
            found.append(
                f"{name}: its states are only {levels.amplitude:.3g} V apart: is anything connected, is the probe's "
                "factor right?"
            )
        if levels.amplitude < _BLURRED * levels.noise:
            found.append(
                f"{name}: noise of {levels.noise:.2g} {unit} blurs states that are {levels.amplitude:.3g} {unit} apart"
                ": edges may be noise"
            )
        span = levels.maximum - levels.minimum
        if levels.amplitude and span > 2.0 * levels.amplitude:
            found.append(
                f"{name}: it spans {span:.3g} {unit}, its states only {levels.amplitude:.3g} {unit}: ringing, "
                "spikes or wrong levels (--levels sets them)"
            )
        if levels.out_of_range:
            found.append(f"{name}: {levels.out_of_range:,} samples were off the instrument's range")
    if channel.crossed_again:
        found.append(f"{name}: {channel.crossed_again:,} edges crossed the 50 % level more than once on their way")
    if channel.short[0]:
        found.append(
            f"{name}: {channel.short[0]:,} pulses or gaps are far shorter than usual (up to "
            f"{duration(channel.short[1])}): --glitch takes shorter ones out"
        )
    if channel.unknown:
        found.append(f"{name}: {channel.unknown:,} changes to an unknown or floating state: the level before is kept")
    return found


def high_share(recording: Recording, name: str) -> float:
    """Part of the recorded time a channel was high.

    Args:
        recording: as read.
        name: of the channel.
    """
    high = 0.0
    for segment in recording.segments:
        trace = segment.traces[name]
        if trace.at_ns.size:
            ends = np.append(trace.at_ns, segment.length_ns)
            high += float(np.diff(ends)[trace.rising].sum()) + (0.0 if trace.rising[0] else float(trace.at_ns[0]))
    return high / max(1, recording.length_ns)
