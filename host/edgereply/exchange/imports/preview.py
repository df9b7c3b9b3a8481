"""What was found in a recording, as JSON and as lines of text, before anybody accepts it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from edgereply.evaluation.evaluate import Evaluation
from edgereply.exchange.imports.accept import resolution_ns
from edgereply.exchange.imports.recording import Channel, Recording
from edgereply.exchange.imports.timeline import Roles, Timeline
from edgereply.report.terminal.timing import timing
from edgereply.storage.run_record import graded
from edgereply.wording.numbers import clean, duration, quantile

_HEADER_LINES = 6
_MOST_CHANNELS = 16


def recording_document(recording: Recording, roles: Roles | None = None) -> dict[str, Any]:
    """What a recording holds, as JSON knows it; it needs nobody to say which channel is which."""
    return {
        "kind": recording.kind,
        "files": recording.files,
        "layout": recording.layout,
        "header": recording.header[:4000],
        "segments": len(recording.segments),
        "common_clock": recording.continuous,
        "recorded_ns": recording.length_ns,
        "samples": sum(segment.samples for segment in recording.segments),
        "channels": {name: _channel(recording, channel, roles) for name, channel in recording.channels.items()},
    }


def document(
    recording: Recording, roles: Roles, line: Timeline, virtual: bool, result: Evaluation, doubts: Sequence[str]
) -> dict[str, Any]:
    """The preview as JSON knows it."""
    return recording_document(recording, roles) | {
        "resolution_ns": resolution_ns(recording, roles),
        "clock_ppm": result.known_to.tolerance_ppm if result.known_to else None,
        "window_ns": line.window_ns,
        "left_out": {
            "stimuli": line.late_stimuli,
            "early_responses": line.early_rises,
            "late_responses": line.late_rises,
        },
        "found": result.summary(virtual),
        "doubts": list(doubts),
    }


def recording_lines(recording: Recording, roles: Roles | None = None) -> list[str]:
    """What a recording holds, for a person: layout, every channel, and a picture of the first edges."""
    said = [f"{recording.kind}: {', '.join(clean(name, 60) for name in list(recording.files)[:8])}"]
    said += [f"  | {clean(text, 100)}" for text in recording.header.splitlines()[:_HEADER_LINES]]
    said += [f"  {topic}: {words}" for topic, words in recording.layout.items()]
    said.append(f"  segments: {len(recording.segments):,}, {duration(recording.length_ns)} recorded")
    used = [name for name in recording.channels if _role(name, roles) in ("stimulus", "response")]
    others = [name for name in recording.channels if name not in used]
    for name in used + others[:_MOST_CHANNELS]:
        said += _channel_lines(recording, recording.channels[name], roles)
    said += [f"{len(others) - _MOST_CHANNELS:,} more channels"] if len(others) > _MOST_CHANNELS else []
    shown = used or others
    for segment in recording.segments:
        traces = {name: (segment.traces[name].at_ns, segment.traces[name].rising) for name in shown}
        if picture := timing(traces, segment.length_ns):
            return [*said, *picture]
    return said


def lines(
    recording: Recording, roles: Roles, line: Timeline, virtual: bool, result: Evaluation, doubts: Sequence[str]
) -> list[str]:
    """The preview for a person."""
    said = recording_lines(recording, roles)
    counts = result.counts
    grade = graded("imported", virtual)
    names = {name: name for name in ("missed", "spurious", "coalesced")} | {"ambiguous": "not matched"}
    said.append(
        f"found ({grade}): {counts['stimuli']:,} stimuli, {counts['responses']:,} answered, "
        + ", ".join(f"{counts[name]:,} {words}" for name, words in names.items())
        + f"; answers within {duration(line.window_ns)}"
    )
    summary = result.summary(virtual)
    reaction, width = summary["reaction"], summary["pulse_width"]
    said.append(
        f"  reaction time: median {quantile(reaction, 'median_ns')}, fastest {quantile(reaction, 'min_ns')}, slowest "
        f"{quantile(reaction, 'max_ns')}; pulse width: median {quantile(width, 'median_ns')}"
    )
    known = result.known_to
    if known is not None and reaction["count"]:
        said.append(
            f"  each time is known to ± {duration(round(known.expanded_ns(reaction['max_ns'])))} (k = 2): resolution "
            f"{duration(round(known.resolution_ns))}, sample clock ± {known.tolerance_ppm:g} ppm"
        )
    said += ["doubts:", *(f"  - {clean(doubt)}" for doubt in doubts)] if doubts else ["no doubts"]
    return said


def _channel(recording: Recording, channel: Channel, roles: Roles | None) -> dict[str, Any]:
    levels = channel.levels
    return {
        "role": _role(channel.name, roles),
        "edges": recording.edges(channel.name),
        "resolution_ns": channel.resolution_ns,
        "low": levels.low if levels else None,
        "high": levels.high if levels else None,
        "noise": levels.noise if levels else None,
        "unit": channel.unit,
        "crossed_again": channel.crossed_again,
        "glitches_removed": channel.glitches,
        "short_pulses": channel.short[0],
        "unknown": channel.unknown,
    }


def _channel_lines(recording: Recording, channel: Channel, roles: Roles | None) -> list[str]:
    role = _role(channel.name, roles)
    words = [f"{recording.edges(channel.name):,} edges"]
    if roles is not None and role in ("stimulus", "response"):
        low = roles.stimulus_low if role == "stimulus" else roles.response_low
        words.append(f"pulses go {'low' if low else 'high'}")
    elif channel.levels is None and not recording.edges(channel.name):
        words.append("it never changes")
    levels = channel.levels
    if levels is not None:
        low_v, high_v, middle, noise = (
            _level(value, levels.amplitude, channel.unit)
            for value in (levels.low, levels.high, (levels.low + levels.high) / 2, levels.noise)
        )
        words.append(f"low {low_v}, high {high_v}, 50 % at {middle}, noise {noise}")
    if recording.edges(channel.name):
        words.append(f"resolution {duration(round(channel.resolution_ns))}")
    if channel.glitches:
        words.append(f"{channel.glitches:,} edges taken out as glitches")
    return [f"{role} = {clean(channel.name, 40)}: {', '.join(words)}"]


def _level(value: float, amplitude: float, unit: str) -> str:
    """A level to a thousandth of the amplitude: what is less is arithmetic, not signal."""
    digits = max(0, 3 - math.floor(math.log10(amplitude))) if amplitude > 0 else 6
    return f"{round(value, digits) + 0.0:.4g} {unit}".replace("-", "−")


def _role(name: str, roles: Roles | None) -> str:
    if roles is None:
        return "channel"
    return {roles.stimulus: "stimulus", roles.response: "response"}.get(name, "not used")
