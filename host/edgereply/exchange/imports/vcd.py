"""VCD files into edges."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Floats
from edgereply.analysis.pairing.glitches import lasting, short_pulses
from edgereply.errors import DataError
from edgereply.exchange.imports.files import Progress, Told, check_file, digest_of, no_progress
from edgereply.exchange.imports.recording import Channel, Recording, Segment, Trace
from edgereply.exchange.imports.vcd_changes import Changes, Signal, read_changes
from edgereply.exchange.imports.vcd_header import Header, read_header

LONGEST_NS = 10**18


def read_vcd(
    paths: Sequence[Path], glitch_ns: int = 0, resolution_ns: float | None = None, tell: Progress = no_progress
) -> Recording:
    """Read VCD files; each is a segment, or several where dumping was switched off and on again.

    Args:
        paths: one or more files with the same variables, in order of time.
        glitch_ns: levels that last less are taken out; 0 keeps all but those that last no time.
        resolution_ns: of the instrument's sampling; None takes what all times are multiples of.
        tell: progress.

    Raises:
        DataError: a file is no VCD, damaged, or has other variables.
    """
    sizes = [check_file(path) for path in paths]
    headers = [read_header(path) for path in paths]
    names = list(headers[0].variables)
    if not names:
        raise DataError(
            "there is no variable of one bit", where=str(paths[0]), remedy="export single lines, not buses or values"
        )
    segments: list[Segment] = []
    tally = {name: _Tally() for name in names}
    step, told = Fraction(0), Told(tell, sum(sizes))
    for path, header, size in zip(paths, headers, sizes, strict=True):
        if list(header.variables) != names:
            raise DataError(
                f"it has the lines {', '.join(header.variables)}", where=str(path),
                remedy=f"give files with the same lines as {paths[0].name}: {', '.join(names)}",
            )  # fmt: skip
        changes = read_changes(path, header, told)
        told.next(size)
        step = max(step, _step(changes) * header.tick_ns)
        segments += _segments(path, header, changes, tally, glitch_ns)
    grain = resolution_ns or max(1.0, float(step))
    channels = {name: tally[name].channel(name, grain) for name in names}
    scale = " and ".join(dict.fromkeys(header.scale for header in headers))
    layout = {"time scale": scale, "all times are multiples of": f"{float(step):g} ns"}
    doubts = [f"{', '.join(headers[0].others)}: more than one bit, left out"] if headers[0].others else []
    doubts += _grain_doubts(resolution_ns, step, headers[0].tick_ns)
    return Recording(
        kind="VCD",
        files={path.name: digest_of(path) for path in paths},
        layout=layout,
        channels=channels,
        segments=segments,
        continuous=len(paths) == 1,
        header=headers[0].words,
        doubts=doubts,
    )


class _Tally:
    """What is counted of one variable over all segments."""

    def __init__(self) -> None:
        self.glitches = self.unknown = self.short = 0
        self.longest = 0.0

    def channel(self, name: str, resolution_ns: float) -> Channel:
        return Channel(
            name=name, resolution_ns=resolution_ns, glitches=self.glitches, short=(self.short, self.longest),
            unknown=self.unknown,
        )  # fmt: skip


def _segments(path: Path, header: Header, changes: Changes, tally: dict[str, _Tally], glitch_ns: int) -> list[Segment]:
    if changes.start < 0:
        raise DataError("there is no change of any line", where=str(path), remedy="export the recording again")
    if float(changes.end * header.tick_ns) > LONGEST_NS:
        raise DataError(f"it lasts longer than {LONGEST_NS:.0e} ns", where=str(path), remedy="is the time scale right?")
    edges = {name: _nanoseconds(changes.signals[code], header) for name, code in header.variables.items()}
    for name, code in header.variables.items():
        tally[name].unknown += changes.signals[code].unknown
    starts = [changes.start, *(end for _, end in changes.gaps)]
    ends = [*(start for start, _ in changes.gaps), changes.end]
    found = []
    for number, (start, end) in enumerate(zip(starts, ends, strict=True), 1):
        if start >= end:
            continue
        start_ns, end_ns = (float(tick * header.tick_ns) for tick in (start, end))
        where = f"{path.name} stretch {number}" if changes.gaps else path.name
        traces = {name: _trace(*edges[name], start_ns, end_ns, glitch_ns, tally[name]) for name in edges}
        found.append(Segment(where, start_ns, round(end_ns - start_ns), 0, traces))
    return found


def _nanoseconds(signal: Signal, header: Header) -> tuple[Floats, Bools]:
    ticks = np.frombuffer(signal.at, np.int64) if signal.at else np.empty(0, np.int64)
    at = ticks.astype(np.float64) * float(header.tick_ns)
    return at, np.frombuffer(bytes(signal.level), np.uint8).astype(np.bool_)


def _trace(at: Floats, level: Bools, start_ns: float, end_ns: float, glitch_ns: int, tally: _Tally) -> Trace:
    """Edges after the segment's start; what is dumped at the start itself is a state, not an edge."""
    inside = slice(int(np.searchsorted(at, start_ns, "right")), int(np.searchsorted(at, end_ns, "right")))
    since, rising = at[inside] - start_ns, level[inside]
    # A line that was unknown until then has no edge either, only its first known state.
    if since.size and (inside.start == 0):
        since, rising = since[1:], rising[1:]
    keep = lasting(since, rising, max(float(glitch_ns), 1e-9))
    tally.glitches += int(np.count_nonzero(~keep))
    since, rising = since[keep], rising[keep]
    count, longest = short_pulses(since, rising)
    tally.short, tally.longest = tally.short + count, max(tally.longest, longest)
    return Trace(since, rising)


def _step(changes: Changes) -> int:
    """What all times of changes are multiples of, counted from the first; 0 where there are too few to tell."""
    step = 0
    for signal in changes.signals.values():
        if signal.at:
            step = int(np.gcd.reduce(np.frombuffer(signal.at, np.int64) - changes.start, initial=step))
    return step


def _grain_doubts(resolution_ns: float | None, step: Fraction, tick_ns: Fraction) -> list[str]:
    if resolution_ns is not None:
        return []
    if step <= tick_ns:
        return [
            "times are multiples of the time scale only: if the instrument sampled more coarsely (its header may say), "
            "give the time between its samples with --resolution"
        ]
    return []
