"""What slow pulses showed at the taps of a board that runs the user's own program, in plain words. Pure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.measurement.wiring_findings import GROUND, Finding

SAME_WIDTH = 0.02


@dataclass(frozen=True, slots=True)
class TapsSeen:
    """Stamps and levels of the check; times int64 nanoseconds by the board's clock.

    Attributes:
        pulses: slow pulses the source sent.
        stimulus_width_ns, period_ns: what they were like.
        stimulus_ns, rise_ns, fall_ns: sorted stamps of the stimulus tap and of the response taps.
        idle_edges: rises of the stimulus tap while the source was idle.
        idle_levels: of the stimulus tap and the response tap.
        captured: responses the source captured; None where it captures none.
    """

    pulses: int
    stimulus_width_ns: int
    period_ns: int
    stimulus_ns: Int64s
    rise_ns: Int64s
    fall_ns: Int64s
    idle_edges: int
    idle_levels: tuple[int, int]
    captured: int | None


def tap_findings(seen: TapsSeen, stimulus_tap: str, response_tap: str, fall_tap: str = "") -> list[Finding]:
    """Judge the taps; names are those of the lines, `fall_tap` empty where there is none."""
    stimuli, answers = len(seen.stimulus_ns), len(seen.rise_ns)
    counted = f"{seen.pulses} pulses sent, {stimuli} seen on {stimulus_tap}, {answers} on {response_tap}"
    wrong = _crossed(seen, counted, stimulus_tap, response_tap)
    if wrong is not None:
        return [wrong]
    findings = [_stimulus(seen, stimuli, counted, stimulus_tap)]
    if not findings[0].right:
        return findings
    if seen.idle_edges:
        noise = f"{seen.idle_edges} edges while the source was idle"
        remedy = f"{stimulus_tap} floats or picks up noise: add a pull-down. {GROUND}"
        findings.append(Finding("the stimulus tap is quiet without stimuli", False, noise, remedy))
    for name, level in zip((stimulus_tap, response_tap), seen.idle_levels, strict=True):
        remedy = "" if level == 0 else "It is inverted (or held high): set active_low on the tap or swap polarity."
        findings.append(Finding(f"polarity of {name}", level == 0, f"it idles at {level}", remedy))
    findings += _answers(seen, answers, response_tap)
    if fall_tap and answers:
        falls = len(seen.fall_ns)
        remedy = "" if falls == answers else f"Join {fall_tap} to the output as well, by a jumper of its own."
        findings.append(Finding(f"falls arrive at {fall_tap}", falls == answers, f"{falls} of {answers}", remedy))
    return findings


def _crossed(seen: TapsSeen, counted: str, stimulus_tap: str, response_tap: str) -> Finding | None:
    """The taps exchanged, or both on the stimulus wire."""
    subject = f"{stimulus_tap} sees stimuli and {response_tap} answers"
    swapped = Finding(subject, False, counted, "The taps are swapped: exchange their jumpers or their names.")
    if not len(seen.stimulus_ns):
        widths = _following(seen.rise_ns, seen.fall_ns)
        own = len(widths) > 0 and _same(int(np.median(widths)), seen.stimulus_width_ns)
        return swapped if len(seen.rise_ns) == seen.pulses and own else None
    after = _following(seen.stimulus_ns, seen.rise_ns)
    if not len(after):
        return None
    if np.median(after) > seen.period_ns / 2:
        return swapped
    widths = _following(seen.rise_ns, seen.fall_ns)
    if len(widths) and _same(int(np.median(widths)), seen.stimulus_width_ns):
        remedy = (
            f"{response_tap} is joined to the stimulus: move its jumper to the output. A program that copies the "
            "input's level looks the same; if yours does, measure with --no-wiring."
        )
        return Finding(subject, False, f"pulses on {response_tap} are as long as the stimuli", remedy)
    return None


def _stimulus(seen: TapsSeen, stimuli: int, counted: str, tap: str) -> Finding:
    subject = f"stimulus reaches the tap {tap}"
    if stimuli == seen.pulses:
        return Finding(subject, True, counted)
    if stimuli == 0:
        remedy = f"Nothing arrives: {GROUND} Then the jumper from the stimulus wire to {tap}, and the line's name."
        return Finding(subject, False, counted, remedy)
    more = "Edges from elsewhere: the tap floats or the wire rings." if stimuli > seen.pulses else "Some were lost."
    return Finding(subject, False, counted, f"{more} {GROUND}")


def _answers(seen: TapsSeen, answers: int, tap: str) -> list[Finding]:
    captured = seen.captured
    told = f"{answers} answers at {tap} to {seen.pulses} pulses"
    told += "" if captured is None else f", {captured} at the capture"
    if answers == seen.pulses:
        remedy = ""
    elif answers == 0 and captured:
        remedy = f"The capture sees answers: the jumper from your program's output to {tap} is missing."
    elif answers == 0:
        remedy = f"Is your program running? {GROUND} Then the jumper from its output to {tap}."
    else:
        remedy = "It must answer each slow pulse once: look at your program and its load."
    findings = [Finding("your program answers slow pulses", answers == seen.pulses, told, remedy)]
    if captured is not None and answers == seen.pulses:
        right = captured == seen.pulses
        remedy = "" if right else f"The response wire to the source's capture. {GROUND}"
        findings.append(Finding("its answers reach the capture", right, told, remedy))
    return findings


def _following(first_ns: Int64s, then_ns: Int64s) -> Int64s:
    """From each of the first to the next of the others, where there is one."""
    at = np.searchsorted(then_ns, first_ns, side="right")
    there = at < len(then_ns)
    return then_ns[at[there]] - first_ns[there]


def _same(width_ns: int, wanted_ns: int) -> bool:
    return abs(width_ns - wanted_ns) <= SAME_WIDTH * wanted_ns
