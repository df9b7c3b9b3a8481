"""What was found in a recording, as JSON and as lines of text, before anybody accepts it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from edgereply.evaluation.evaluate import Evaluation
from edgereply.exchange.imports.accept import resolution_ns
from edgereply.exchange.imports.recording import Channel, Recording
from edgereply.exchange.imports.timeline import Roles, Timeline
from edgereply.storage.run_record import graded
from edgereply.wording.numbers import clean, duration, quantile

_HEADER_LINES = 6


def document(
    recording: Recording, roles: Roles, line: Timeline, virtual: bool, result: Evaluation, doubts: Sequence[str]
) -> dict[str, Any]:
    """The preview as JSON knows it."""
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


def lines(
    recording: Recording, roles: Roles, line: Timeline, virtual: bool, result: Evaluation, doubts: Sequence[str]
) -> list[str]:
    """The preview for a person."""
    said = [f"{recording.kind}: {', '.join(clean(name, 60) for name in list(recording.files)[:8])}"]
    said += [f"  | {clean(text, 100)}" for text in recording.header.splitlines()[:_HEADER_LINES]]
    said += [f"  {topic}: {words}" for topic, words in recording.layout.items()]
    said.append(f"  segments: {len(recording.segments):,}, {duration(recording.length_ns)} recorded")
    for name, channel in recording.channels.items():
        said += _channel_lines(recording, channel, roles) if name in (roles.stimulus, roles.response) else []
    others = [clean(name, 40) for name in recording.channels if name not in (roles.stimulus, roles.response)]
    said += [f"not used: {', '.join(others[:20])}"] if others else []
    counts = result.counts
    grade = graded("imported", virtual)
    names = ("missed", "spurious", "coalesced", "ambiguous")
    said.append(
        f"found ({grade}): {counts['stimuli']:,} stimuli, {counts['responses']:,} answered, "
        + ", ".join(f"{counts[name]:,} {name}" for name in names)
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


def _channel(recording: Recording, channel: Channel, roles: Roles) -> dict[str, Any]:
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


def _channel_lines(recording: Recording, channel: Channel, roles: Roles) -> list[str]:
    role = _role(channel.name, roles)
    low = roles.stimulus_low if role == "stimulus" else roles.response_low
    words = [f"{recording.edges(channel.name):,} edges", f"pulses go {'low' if low else 'high'}"]
    levels = channel.levels
    if levels is not None:
        low_v, high_v, middle, noise = (
            _volts(value, levels.amplitude)
            for value in (levels.low, levels.high, (levels.low + levels.high) / 2, levels.noise)
        )
        words.append(f"low {low_v}, high {high_v}, 50 % at {middle}, noise {noise}")
    words.append(f"resolution {duration(round(channel.resolution_ns))}")
    if channel.glitches:
        words.append(f"{channel.glitches:,} edges taken out as glitches")
    return [f"{role} = {clean(channel.name, 40)}: {', '.join(words)}"]


def _volts(value: float, amplitude: float) -> str:
    """A voltage to a thousandth of the amplitude: what is less is arithmetic, not signal."""
    digits = max(0, 3 - math.floor(math.log10(amplitude))) if amplitude > 0 else 6
    return f"{round(value, digits) + 0.0:.4g} V".replace("-", "−")


def _role(name: str, roles: Roles) -> str:
    return {roles.stimulus: "stimulus", roles.response: "response"}.get(name, "not used")
