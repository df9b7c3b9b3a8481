"""Comparing a pulse source's clock with a better one: the computer's, or pulses of a known period."""

import contextlib
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.statistics.clock_rate import LEAST_READINGS, ClockRate, rate_by_arrivals, rate_by_pulses
from edgereply.errors import SettingError, SourceError
from edgereply.sources.base import PulseSource, StimulusPlan
from edgereply.storage.stamps import RISE, STIMULUS
from edgereply.system.clock_discipline import now_ns

# Each stimulus goes out over the serial line by itself, before the next one comes.
ARRIVAL_PERIOD_NS = 20_000_000
KEEP_RUNNING_NS = 500_000_000
PULSE_NS = 100_000
LEAST_NS = 1_000_000_000
_READ_S = 0.2
_SPARE = 1.2
_END_S = 5.0

Progress = Callable[[float], None]


@dataclass(frozen=True, slots=True)
class Readings:
    """Stamps by the clock in question, and by the better clock when they arrived there (empty for pulses)."""

    at_ns: Int64s
    arrived_ns: Int64s


def against_computer(
    source: PulseSource, duration_ns: int, reference_ppm: float, progress: Progress, now: Callable[[], int] = now_ns
) -> ClockRate:
    """Compare with the computer's clock, by when each stimulus' record arrives.

    Args:
        source: open; its stimulus need not be connected.
        duration_ns: how long, by the computer's clock.
        reference_ppm: tolerance of the computer's clock.
        progress: told which part of the time has gone, 0 to 1.
        now: the better clock, in ns.

    Raises:
        SettingError: too short, or the source does not stamp.
        SourceError: the source failed, or not enough could be read.
    """
    plan = StimulusPlan(pattern="periodic", period_ns=ARRIVAL_PERIOD_NS, width_ns=PULSE_NS,
                        count=_count(duration_ns, ARRIVAL_PERIOD_NS), floor_ns=0)  # fmt: skip
    found = _read(source, plan, duration_ns, STIMULUS, now, progress)
    return _estimate(
        lambda: rate_by_arrivals(found.at_ns, found.arrived_ns, _tick_ns(source), reference_ppm), len(found.at_ns)
    )


def against_pulses(
    source: PulseSource,
    duration_ns: int,
    period_ns: int,
    reference_ppm: float,
    progress: Progress,
    reference: PulseSource | None = None,
    now: Callable[[], int] = now_ns,
) -> ClockRate:
    """Compare with pulses of a known period at the source's capture input.

    Args:
        source, duration_ns, reference_ppm, progress, now: as in `against_computer`.
        period_ns: of the pulses, by the better clock.
        reference: sends them while this runs; None where an instrument sends them already.

    Raises:
        SettingError: as `against_computer`, or the reference cannot send at this period.
        SourceError: as `against_computer`.
    """
    # Capture runs for as long as stimuli come; nothing needs to be connected to them.
    plan = StimulusPlan(pattern="periodic", period_ns=KEEP_RUNNING_NS, width_ns=PULSE_NS,
                        count=_count(duration_ns, KEEP_RUNNING_NS), floor_ns=0)  # fmt: skip
    if reference is not None:
        train = StimulusPlan(pattern="periodic", period_ns=period_ns, width_ns=min(PULSE_NS, period_ns // 2),
                             count=_count(duration_ns, period_ns), floor_ns=0)  # fmt: skip
        period_ns = reference.arm(train).period_ns
        reference.start()
    found = _read(source, plan, duration_ns, RISE, now, progress, reference)
    return _estimate(lambda: rate_by_pulses(found.at_ns, period_ns, _tick_ns(source), reference_ppm), len(found.at_ns))


def _read(
    source: PulseSource,
    plan: StimulusPlan,
    duration_ns: int,
    kind: int,
    now: Callable[[], int],
    progress: Progress,
    reference: PulseSource | None = None,
) -> Readings:
    """Stamps of one kind for so long; Ctrl-C ends it early and keeps them."""
    if duration_ns < LEAST_NS:
        raise SettingError("a calibration takes more than a second", "--for", "give several minutes, such as 10min")
    if not source.identity.captures:
        raise SettingError("this source does not stamp anything", source.identity.kind, "use a reference source")
    source.arm(plan)
    source.start()
    at: list[int] = []
    arrived: list[int] = []
    began_ns = now()
    try:
        while (gone := now() - began_ns) < duration_ns:
            if reference is not None:
                reference.read(0.0)
            batch = source.read(_READ_S)
            moment = now()
            progress(min(1.0, gone / duration_ns))
            if batch is None:
                continue
            if batch.done:
                break
            stamps = batch.at_ns[batch.kind == kind]
            # Of several that came together only the last one has just come.
            taken = stamps if kind == RISE else stamps[-1:]
            at += taken.tolist()
            arrived += [moment] * len(taken)
    except KeyboardInterrupt:
        if len(at) < LEAST_READINGS:
            raise
    finally:
        for one in (source, reference):
            if one is not None:
                with contextlib.suppress(SourceError):
                    one.abort()
    order = np.argsort(np.array(at, dtype=np.int64), kind="stable")
    return Readings(np.array(at, dtype=np.int64)[order], np.array(arrived, dtype=np.int64)[order])


def _estimate(rate: Callable[[], ClockRate], count: int) -> ClockRate:
    try:
        return rate()
    except ValueError as error:
        raise SourceError(
            str(error),
            f"{count} readings",
            "check the wire from the better clock to the capture input, and its period; measure for longer",
        ) from error


def _count(duration_ns: int, period_ns: int) -> int:
    return max(1, round(_SPARE * duration_ns / period_ns) + 1)


def _tick_ns(source: PulseSource) -> float:
    return 1e9 / source.identity.tick_hz
