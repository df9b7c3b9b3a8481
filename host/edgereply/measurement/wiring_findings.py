"""What slow pulses showed about the wires, and what that means in plain words. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass

GROUND = "Check the ground wire between source and board first."


@dataclass(frozen=True, slots=True)
class Seen:
    """Counts and levels of the check; None where something could not be looked at.

    Attributes:
        pulses: slow pulses the source sent while the board drove nothing.
        input_edges: rising edges seen on the board's input during them.
        output_edges: rising edges seen on the board's output line, switched to input for this.
        idle_edges: rising edges on the input while the source was idle.
        input_idle: level of the input while the source was idle.
        output_idle: level of the output line while nothing on the board drove it.
        follows: the source's view of the response wire while the board held it low, then high.
        input_follows: the board's input while its output was held low, then high.
        answered: responses the source captured for `pulses` stimuli with the responder on.
    """

    pulses: int
    input_edges: int | None = None
    output_edges: int | None = None
    idle_edges: int | None = None
    input_idle: int | None = None
    output_idle: int | None = None
    follows: tuple[int, int] | None = None
    input_follows: tuple[int, int] | None = None
    answered: int | None = None


@dataclass(frozen=True, slots=True)
class Finding:
    """One statement: what was looked at, whether it is right, what was seen, what to do."""

    subject: str
    right: bool
    seen: str
    remedy: str = ""


def stimulus_findings(seen: Seen, input_line: str, output_line: str) -> list[Finding]:
    """Judge the stimulus wire, before the board drives anything.

    A wrong one of these means that driving the output could join two outputs: stop there.
    """
    if seen.input_edges is None or seen.output_edges is None:
        return []
    at_input, at_output = seen.input_edges > 0, seen.output_edges > 0
    subject = f"stimulus reaches the input {input_line}"
    counted = (
        f"{seen.pulses} pulses sent, {seen.input_edges} seen on {input_line}, {seen.output_edges} on {output_line}"
    )
    if at_input and at_output:
        return [Finding(subject, False, counted, f"{input_line} and {output_line} are joined: part them.")]
    if at_output:
        return [Finding(subject, False, counted, f"The wires are swapped: the stimulus arrives on {output_line}.")]
    if not at_input:
        remedy = f"Nothing arrives: {GROUND} Then the stimulus wire, the line's name and the source's level."
        return [Finding(subject, False, counted, remedy)]
    findings = [_counted(subject, seen, counted)]
    if seen.idle_edges:
        noise = f"{seen.idle_edges} edges while the source was idle"
        remedy = f"The input floats or picks up noise: add a pull-down. {GROUND}"
        findings.append(Finding("the input is quiet without stimuli", False, noise, remedy))
    if seen.input_idle is not None:
        right = seen.input_idle == 0
        remedy = "" if right else "It is inverted (or held high): set active_low or swap polarity."
        findings.append(Finding("polarity of the stimulus", right, f"the input idles at {seen.input_idle}", remedy))
    return findings


def _counted(subject: str, seen: Seen, counted: str) -> Finding:
    if seen.input_edges == seen.pulses:
        return Finding(subject, True, counted)
    more = (seen.input_edges or 0) > seen.pulses
    remedy = "Edges from elsewhere: the input floats or the wire rings." if more else "Some pulses were lost."
    return Finding(subject, False, counted, f"{remedy} {GROUND}")


def response_findings(seen: Seen, input_line: str, output_line: str) -> list[Finding]:
    """Judge the response wire, after the stimulus wire was found right."""
    findings = []
    if seen.follows is not None:
        subject = f"response from {output_line} reaches the capture"
        levels = f"the capture reads {seen.follows[0]} with the output low and {seen.follows[1]} with it high"
        remedies = {(0, 1): "", (1, 0): "It is inverted: set active_low on the output or remove the inverter."}
        remedy = remedies.get(seen.follows, f"It does not arrive: {GROUND} Then the response wire and the line's name.")
        findings.append(Finding(subject, seen.follows == (0, 1), levels, remedy))
    if seen.input_follows is not None:
        joined = seen.input_follows == (0, 1)
        low, high = seen.input_follows
        levels = f"{input_line} reads {low} with {output_line} low and {high} with it high"
        remedy = f"{input_line} and {output_line} are joined: part them." if joined else ""
        findings.append(Finding(f"{input_line} and {output_line} are apart", not joined, levels, remedy))
    if seen.answered is not None:
        right = seen.answered == seen.pulses
        nothing = f"No answer arrives at the capture: the response wire or the line's name. {GROUND}"
        some = f"The board does not answer every slow pulse: look at its load. {GROUND}"
        remedy = "" if right else some if seen.answered else nothing
        findings.append(
            Finding("the board answers slow pulses", right, f"{seen.answered} answers to {seen.pulses} pulses", remedy)
        )
    return findings


def diagram(
    source: str,
    board: str,
    input_line: str,
    output_line: str,
    level_v: float,
    limit_v: float,
    taps: Mapping[str, str] | None = None,
) -> list[str]:
    """The wires to make, as text, with the cautions that belong to them.

    Args:
        source, board: their names.
        input_line, output_line: of the board.
        level_v: what the source drives.
        limit_v: what the board's input takes.
        taps: spare lines an agent watches by jumpers on the board, each with the line it is joined to.
    """
    divider = "  [divider or level shifter]" if level_v > limit_v else ""
    lines = [
        f"  {source:<16}{'':<26}{board}",
        f"  {'ground':<16}{'─' * 24}  ground          (first on, last off)",
        f"  {'stimulus':<16}{'─[1 kΩ]'.ljust(24, '─')}▶ {input_line}{divider}   pull-down here",
        f"  {'capture':<16}{'◀' + '─[1 kΩ]'.rjust(23, '─')}  {output_line}",
        *(f"  {'jumper':<16}{joined} ──[1 kΩ]──▶ {tap}" for tap, joined in (taps or {}).items()),
        "",
        "  Switch the power off before changing wires. Never join two outputs. Do not drive a board that is off.",
    ]
    if level_v > limit_v:
        lines.append(
            f"  The source drives {level_v:g} V, the input takes {limit_v:g} V: without a divider the board is damaged."
        )
    return lines
