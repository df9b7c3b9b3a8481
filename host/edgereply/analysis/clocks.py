"""Offset between two clocks from one exchange of stamps."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ClockOffset:
    """What one exchange tells about the other side's clock.

    Attributes:
        offset_ns: the other clock minus ours, rounded down to whole ns.
        delay_ns: round trip without the other side's own time.
        error_bound_ns: the true offset lies within this of `offset_ns`; rounded up.
    """

    offset_ns: int
    delay_ns: int
    error_bound_ns: int


def clock_offset(t1_ns: int, t2_ns: int, t3_ns: int, t4_ns: int) -> ClockOffset:
    """Estimate the offset of another clock from a question and its answer.

    Args:
        t1_ns: question sent, our clock.
        t2_ns: question received, their clock.
        t3_ns: answer sent, their clock.
        t4_ns: answer received, our clock.

    Returns:
        Offset ((t2 - t1) + (t3 - t4)) / 2 and delay (t4 - t1) - (t3 - t2). The error is half the
        difference of the two ways, so never more than half the delay; rounding is inside the
        bound because offset and delay are odd together.

    Raises:
        ValueError: the stamps contradict each other (negative delay).

    Source: RFC 5905 section 8 (with erratum 5020).
    """
    delay_ns = (t4_ns - t1_ns) - (t3_ns - t2_ns)
    if delay_ns < 0:
        raise ValueError(
            f"the answer took {t4_ns - t1_ns} ns by our clock but {t3_ns - t2_ns} ns by theirs alone: "
            "the stamps are in the wrong order or a clock was stepped; ask again"
        )
    doubled = (t2_ns - t1_ns) + (t3_ns - t4_ns)
    return ClockOffset(doubled // 2, delay_ns, -(-delay_ns // 2))
