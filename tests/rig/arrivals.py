"""The arrival patterns again, written from COMMANDS.md alone, to hold the firmware against."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import ROUND_FLOOR, Decimal, localcontext
from itertools import islice

WORD = 1 << 32


def ticks(seconds: str, tick_hz: int) -> int:
    """Returns: floor(seconds * tick rate + 0.5), in exact decimal arithmetic."""
    with localcontext() as context:
        context.prec = 60
        return int((Decimal(seconds) * tick_hz + Decimal("0.5")).to_integral_value(ROUND_FLOOR))


def draws(seed: int) -> Iterator[int]:
    """Yields: xorshift32 with the triple 13, 17, 5 (Marsaglia, J. Stat. Softw. 8(14), 2003)."""
    x = seed
    while True:
        x ^= x << 13 & WORD - 1
        x ^= x >> 17
        x ^= x << 5 & WORD - 1
        yield x


def log2_table() -> list[int]:
    """Returns: floor(65536 * log2(1 + i/64) + 0.5) for i = 0 to 64."""
    with localcontext() as context:
        context.prec = 40
        ln2 = Decimal(2).ln()
        values = (65536 * (1 + Decimal(i) / 64).ln() / ln2 + Decimal("0.5") for i in range(65))
        return [int(value.to_integral_value(ROUND_FLOOR)) for value in values]


TABLE = log2_table()


def exponential(x: int) -> int:
    """Returns: -ln(x / 2**32) in 1/65536, by the documented steps."""
    n = x.bit_length() - 1
    m = (x << (31 - n)) & 0x7FFFFFFF
    i = m >> 25
    f = (m >> 9) & 0xFFFF
    log = (n << 16) + TABLE[i] + (((TABLE[i + 1] - TABLE[i]) * f) >> 16)
    return (((32 << 16) - log) * 45426) >> 16


def intervals(pattern: str, *, seed: int, period: int, floor: int = 0, spread: int = 0) -> Iterator[int]:
    """Yields the intervals before each stimulus.

    Args:
        pattern: "PER", "UNIF" or "EXP".
        seed: 1 to 2**32 - 1.
        period, floor, spread: ticks.
    """
    for x in draws(seed):
        if pattern == "PER":
            yield period
        elif pattern == "UNIF":
            yield period - spread + ((x * (2 * spread + 1)) >> 32)
        else:
            yield floor + (((period - floor) * exponential(x)) >> 16)


@dataclass(frozen=True, slots=True)
class Arrivals:
    """What is set of the arrivals of a run, as COMMANDS.md has it after *RST; times in decimal seconds."""

    pattern: str = "EXP"
    seed: int = 1
    period: str = "0.005"
    floor: str = "0.001"
    spread: str = "0.001"

    def commands(self) -> list[str]:
        return [
            f"PULS:ARR {self.pattern}",
            f"PULS:ARR:SEED {self.seed}",
            f"PULS:PER {self.period}",
            f"PULS:ARR:FLO {self.floor}",
            f"PULS:ARR:SPR {self.spread}",
        ]

    def intervals(self, count: int, tick_hz: int) -> list[int]:
        """Returns: the documented intervals before the first stimuli, in ticks."""
        period, floor, spread = (ticks(seconds, tick_hz) for seconds in (self.period, self.floor, self.spread))
        return list(islice(intervals(self.pattern, seed=self.seed, period=period, floor=floor, spread=spread), count))
