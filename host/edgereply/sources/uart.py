"""Pulses from a UART: how long the line stays low when one byte is sent, and which byte to send.

A frame of 8N1 is a start bit (low), eight data bits from the least significant on, and a stop bit
(high). The line idles high. A byte whose low bits come first and whose high bits follow makes one
single pulse: start bit and k low data bits, 1 + k bits in all.
"""

from __future__ import annotations

from dataclasses import dataclass

BAUDS = (1200, 2400, 4800, 9600, 19_200, 38_400, 57_600, 115_200, 230_400, 460_800, 500_000, 921_600, 1_000_000)


@dataclass(frozen=True, slots=True)
class UartPulse:
    """One byte at one rate, and the low pulse it makes."""

    baud: int
    byte: int
    low_ns: int


def low_time_ns(byte: int, baud: int) -> int:
    """How long the line is low for a byte.

    Args:
        byte: one that makes a single pulse: k low bits, then ones, 0 <= k <= 8.
        baud: bits a second, 8N1.

    Returns:
        Nanoseconds, to the nearest.

    Raises:
        ValueError: the byte makes more than one pulse.
    """
    zeros = 8 - byte.bit_count()
    if byte != (0xFF << zeros) & 0xFF:
        raise ValueError(f"0x{byte:02X} makes more than one pulse")
    return (2 * (1 + zeros) * 1_000_000_000 + baud) // (2 * baud)


def nearest_pulse(width_ns: int) -> UartPulse:
    """Find the byte and rate whose low time is nearest to a width; the faster rate where two are.

    Args:
        width_ns: wanted, in ns.

    Returns:
        What to send, and how long the line is low then.
    """
    choices = [
        UartPulse(baud, byte, low_time_ns(byte, baud))
        for baud in BAUDS
        for byte in ((0xFF << zeros) & 0xFF for zeros in range(9))
    ]
    return min(choices, key=lambda pulse: (abs(pulse.low_ns - width_ns), -pulse.baud))
