"""Times and rates as people write them, into integer nanoseconds."""

import re
from decimal import Decimal

_SCALE = {"ns": 1, "us": 1_000, "µs": 1_000, "μs": 1_000, "ms": 1_000_000, "s": 1_000_000_000}
_SCALE |= {"min": 60 * _SCALE["s"], "h": 3600 * _SCALE["s"]}
_TIME = re.compile(r"\s*(\d+(?:\.\d*)?|\.\d+)\s*([a-zµμ]+)\s*", re.IGNORECASE)
_RATE = re.compile(r"\s*(\d+(?:\.\d*)?|\.\d+)\s*(/s|hz|khz)\s*", re.IGNORECASE)
LONGEST_NS = 7 * 24 * 3600 * _SCALE["s"]


def parse_duration_ns(text: str) -> int:
    """Read a time with its unit, e.g. ``2ms``, ``500 us``, ``1.5s``, ``10min``.

    Returns:
        Nanoseconds, rounded to the nearest integer.

    Raises:
        ValueError: no unit, unknown unit, or more than a week; the text says what is allowed.
    """
    match = _TIME.fullmatch(text)
    if not match or match[2].lower() not in _SCALE:
        raise ValueError(f"{text!r} is not a time: write a number and one of ns, us, ms, s, min, h, such as 2ms")
    value = int((Decimal(match[1]) * _SCALE[match[2].lower()]).to_integral_value())
    if value > LONGEST_NS:
        raise ValueError(f"{text!r} is longer than a week")
    return value


def parse_rate_period_ns(text: str) -> int:
    """Read a rate, e.g. ``200/s``, ``1.5 kHz``.

    Returns:
        The mean interval in nanoseconds.

    Raises:
        ValueError: not a rate above zero.
    """
    match = _RATE.fullmatch(text)
    if not match or not Decimal(match[1]):
        raise ValueError(f"{text!r} is not a rate: write a number above zero and /s, Hz or kHz, such as 200/s")
    per_second = Decimal(match[1]) * (1000 if match[2].lower() == "khz" else 1)
    return int((_SCALE["s"] / per_second).to_integral_value())


def rate_words(period_ns: int) -> str:
    """A mean interval as a rate of four digits: ``4,409/s``, never with an exponent."""
    per_second = Decimal(f"{_SCALE['s'] / period_ns:.4g}").normalize()
    return f"{per_second:,f}/s"


def time_words(value_ns: int) -> str:
    """A time as people type it, every digit of it: a whole number of the largest unit that takes one, ``20us``."""
    unit = next(unit for unit in ("s", "ms", "us", "ns") if value_ns % int(_SCALE[unit]) == 0)
    return f"{value_ns // int(_SCALE[unit])}{unit}"
