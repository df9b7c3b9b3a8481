"""Known causes by their period. A name is given only where the measured period agrees within its error."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """Something that interrupts a board at a known rate.

    Attributes:
        name: what it is.
        period_ns: its period.
        remedy: what to try.
    """

    name: str
    period_ns: float
    remedy: str


_TIMER = "Turn the timer interrupt off, or its priority below the input's, if nothing needs it."
_TICK = "Isolate the processor from the tick (isolcpus, nohz_full) or give the responder a real-time priority."

# Sources: ATmega328P data sheet, timer 0 with prescaler 64: 64 * 256 cycles of 62.5 ns;
# CONFIG_HZ of the Linux kernel; sched_rt_period_us = 1000000 (Linux, sched-rt-group).
SUSPECTS: tuple[Suspect, ...] = (
    Suspect(name="timer 0 overflow of a 16 MHz microcontroller", period_ns=1_024_000.0, remedy=_TIMER),
    Suspect(name="kernel tick at 1000 Hz", period_ns=1e6, remedy=_TICK),
    Suspect(name="kernel tick at 300 Hz", period_ns=1e9 / 300.0, remedy=_TICK),
    Suspect(name="kernel tick at 250 Hz", period_ns=4e6, remedy=_TICK),
    Suspect(name="kernel tick at 100 Hz", period_ns=1e7, remedy=_TICK),
    Suspect(
        name="real-time throttling once a second",
        period_ns=1e9,
        remedy="Let the responder sleep (wait strategy block) so that it never uses up its share of the second.",
    ),
)


def name_suspects(
    period_ns: float, error_ns: float, clock_ppm: float, suspects: Sequence[Suspect] = SUSPECTS
) -> tuple[Suspect, ...]:
    """Suspects whose period agrees with a measured one.

    Args:
        period_ns: measured, on the source's clock.
        error_ns: its standard error.
        clock_ppm: how far source clock and suspect's clock may differ together, parts per million.
        suspects: whom to compare with.

    Returns:
        Those within two standard errors plus the clocks' tolerance; none where the period is too
        uncertain to tell suspects 2 % apart.
    """
    reach = 2.0 * error_ns + clock_ppm * 1e-6 * period_ns
    if not reach < 0.01 * period_ns:
        return ()
    return tuple(s for s in suspects if abs(period_ns - s.period_ns) <= reach)
