"""Numbers and names as people read them; shared by the terminal and the page."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Any, Final

_UNITS: Final = ((1, "ns"), (1_000, "µs"), (1_000_000, "ms"), (1_000_000_000, "s"))
_MOST_DIGITS: Final = 15
NOTHING: Final = "–"
ROUGH: Final = "rough: too few slow answers, or in groups"
_ROUND: Final = re.compile(r"round (\d+) of ([^:]*): (.*)", re.DOTALL)
_NEVER: Final = "not measured"


def duration(value_ns: float | None, digits: int = 3) -> str:
    """A time with a fixed number of significant digits.

    Args:
        value_ns: nanoseconds, whole or not, or None.
        digits: significant digits, at least 1. Whole nanoseconds never get decimals below 1 µs.

    Returns:
        Such as "12.3 µs", "987 ns", "−1.20 ms", or "–" for None.
    """
    if value_ns is None:
        return NOTHING
    exact = Decimal(value_ns)
    sign, exact = ("−" if exact < 0 else ""), abs(exact)
    if exact < 1000 and exact == exact.to_integral_value():
        return f"{sign}{int(exact)} ns"
    place = max(index for index, (size, _) in enumerate(_UNITS) if exact >= size or index == 0)
    rounded = _significant(exact / _UNITS[place][0], digits)
    if rounded >= 1000 and place + 1 < len(_UNITS):
        place += 1
        rounded = _significant(exact / _UNITS[place][0], digits)
    return f"{sign}{rounded:,f} {_UNITS[place][1]}"


def distinct(*values_ns: float | None) -> list[str]:
    """Times with three digits, or as many as it takes for unequal times to read unequal.

    A slowest answer of 2,000,400 ns beside a deadline of 2 ms must not read "2.00 ms".

    Args:
        values_ns: nanoseconds or None.

    Returns:
        One text a value.
    """
    known = {value for value in values_ns if value is not None}
    for digits in range(3, _MOST_DIGITS):
        if len({duration(value, digits) for value in known}) == len(known):
            return [duration(value, digits) for value in values_ns]
    return [duration(value, _MOST_DIGITS) for value in values_ns]


def exactly(value_ns: int) -> str:
    """A time that somebody chose, such as a deadline: every digit, no trailing zeros.

    Args:
        value_ns: nanoseconds.

    Returns:
        Such as "2 ms" or "1.25 µs".
    """
    size, unit = next((pair for pair in reversed(_UNITS) if abs(value_ns) >= pair[0]), _UNITS[0])
    number = (Decimal(value_ns) / size).normalize()
    return f"{number:,f} {unit}"


def unit_for(value_ns: float) -> tuple[int, str]:
    """Unit for an axis that reaches about this far.

    Args:
        value_ns: nanoseconds.

    Returns:
        Nanoseconds a unit, and the unit.
    """
    return next((pair for pair in reversed(_UNITS) if abs(value_ns) >= pair[0]), _UNITS[0])


def quantile(summary: Mapping[str, Any] | None, name: str) -> str:
    """A figure of a sample, or what it would take to have it.

    Args:
        summary: one sample's part of the JSON summary, such as `summary["reaction"]`.
        name: "median_ns", "p99_9_ns", "max_ns", "tail_spread_ns" and so on.

    Returns:
        Such as "12.3 µs"; "needs 3,688 answers" where the sample is too small; "–" for no sample.
    """
    if not summary or not summary.get("count"):
        return NOTHING
    value = summary.get(name)
    if value is not None:
        return duration(value)
    needed = summary.get("needed") or {}
    takes = needed.get(name)
    if takes is None and name == "tail_spread_ns":
        takes = max((needed.get(part) or 0 for part in ("median_ns", "p99_9_ns")), default=0)
    if takes is None and name == "std_ns":
        takes = 2
    return needs_words(takes) if takes else "too few answers"


def needs_words(count: int) -> str:
    """How many answers a figure takes."""
    return f"needs {count:,} answers"


def interval(summary: Mapping[str, Any] | None, name: str) -> str:
    """The 95 % interval of a figure, or that it is unsure.

    Args:
        summary: one sample's part of the JSON summary.
        name: the quantile.

    Returns:
        Such as "12.1 µs to 12.6 µs"; `ROUGH` where it cannot be relied on; "" for figures that have none.
    """
    ends = ((summary or {}).get("ci95") or {}).get(name)
    within = range_words(ends[0], ends[1]) if ends else ""
    if not is_rough(summary, name):
        return within
    return f"{within}, {ROUGH}" if within else ROUGH


def range_words(low_ns: float, high_ns: float) -> str:
    """From one time to another, with the digits it takes to tell them apart."""
    low, high = distinct(low_ns, high_ns)
    return low if low_ns == high_ns else f"{low} to {high}"


def is_rough(summary: Mapping[str, Any] | None, name: str) -> bool:
    """Whether a figure is there whose interval is unsure.

    Args:
        summary: one sample's part of the JSON summary.
        name: of the figure.
    """
    return name in ((summary or {}).get("rough") or ())


def share(part: int, whole: int) -> str:
    """A part of a whole in per cent, never rounded to 0 % or 100 % when it is not.

    Args:
        part: 0 to whole.
        whole: at least 0.

    Returns:
        Such as "99.98 %" or "0.0004 %"; "–" for nothing of nothing.
    """
    if whole == 0:
        return NOTHING
    if part in (0, whole):
        return "0 %" if part == 0 else "100 %"
    smaller = min(part, whole - part) * Decimal(100) / whole
    small = _significant(smaller, 1 if smaller < 1 else 2)
    return f"{(small if part * 2 <= whole else 100 - small).normalize():f} %"


def per_cent(part: float) -> str:
    """A change as a part of a whole, two significant digits: "1.2 %", "−0.4 %", "25 %", "140 %"."""
    exact = abs(Decimal(part)) * 100
    rounded = exact.quantize(Decimal(1)) if exact >= 10 else _significant(exact, 2)
    return f"{'−' if part < 0 and rounded else ''}{rounded.normalize():f} %"


def times(value: float) -> str:
    """How many times as much, two significant digits, never with an exponent: "0.086", "1.5", "790"."""
    exact = Decimal(f"{value:.2g}")
    return f"{exact:,.0f}" if exact >= 10 else f"{exact.normalize():f}"


def percentage(value: float) -> str:
    """A share in per cent: three significant digits at most, never with an exponent.

    Args:
        value: 0 to 1.

    Returns:
        Such as "1 %" or "0.00444 %".
    """
    return f"{(Decimal(f'{value:.3g}') * 100).normalize():f} %"


def one_in(value: float) -> str:
    """A share, and of how many one is late where that is easier to grasp.

    Args:
        value: 0 to 1.

    Returns:
        Such as "0.00444 % (1 in 22,523)" or "21.6 %"; a share above a tenth stands alone.
    """
    return percentage(value) + (f" (1 in {1 / value:,.0f})" if 0.0 < value <= 0.1 else "")


def rounds_together(lines: Sequence[str]) -> list[str]:
    """What became of single rounds, those that went alike in one line.

    Args:
        lines: such as "round 3 of block: not measured", of one condition; others stay as they are.

    Returns:
        Such as "rounds 3 to 8 of block: not measured", or "rounds 3, 5 and 8 of block: failed: no power"; rounds that
        were never begun come last.
    """
    alike: dict[tuple[str, str], list[int]] = {}
    others = []
    for line in lines:
        if found := _ROUND.fullmatch(line):
            alike.setdefault((found[2], found[3]), []).append(int(found[1]))
        else:
            others.append(line)
    never = [key for key in alike if key[1] == _NEVER]
    for key in (*(key for key in alike if key not in never), *never):
        others.append(f"{_rounds(alike[key])} of {key[0]}: {key[1]}")
    return others


def trouble_counts(lines: Sequence[str]) -> list[str]:
    """What became of blocks that are not complete, each kind once with its count.

    Args:
        lines: as of `rounds_together`.

    Returns:
        Such as "2 blocks failed: no power" and "1 block not measured"; other lines as they are.
    """
    counts: dict[str, int] = {}
    for line in lines:
        found = _ROUND.fullmatch(line)
        counts[found[3] if found else line] = counts.get(found[3] if found else line, 0) + bool(found)
    return [f"{n} {'block' if n == 1 else 'blocks'} {what}" if n else what for what, n in counts.items()]


def _rounds(rounds: Sequence[int]) -> str:
    if len(rounds) == 1:
        return f"round {rounds[0]}"
    whole = list(rounds) == list(range(rounds[0], rounds[-1] + 1)) and len(rounds) > 2
    return f"rounds {f'{rounds[0]} to {rounds[-1]}' if whole else listing([str(number) for number in rounds])}"


def unclear_words(count: int) -> str:
    """So many stimuli whose answers cannot be told, with the reason."""
    return (
        "1 stimulus, since which answer is its own cannot be told"
        if count == 1
        else (f"{count:,} stimuli, since which answer is whose cannot be told")
    )


def unobserved_words(count: int) -> str:
    """So many stimuli that were not watched for long enough, with the reason."""
    who = "1 stimulus" if count == 1 else f"{count:,} stimuli"
    return f"{who} without an answer, since the record ends before one could be ruled out"


def unmatched_words(unmatched: int, stimuli: int) -> str:
    """Stimuli whose answer cannot be told, and what that means for every figure of time."""
    verb = "is" if unmatched == 1 else "are"
    return f"{unmatched:,} of {stimuli:,} stimuli could not be matched and {verb} NOT in the times"


def clean(name: str, longest: int | None = None) -> str:
    """A name that cannot move the cursor, reverse the line or hide characters.

    Args:
        name: any text.
        longest: characters to keep, or None for all.

    Returns:
        The text on one line; control and direction characters are shown as "�".
    """
    line = " ".join(name.split())
    safe = "".join("�" if unicodedata.category(c) in ("Cc", "Cf", "Cs") else c for c in line)
    return safe if longest is None or len(safe) <= longest else safe[: longest - 1] + "…"


def listing(parts: Sequence[str]) -> str:
    """Parts of a sentence: "a", "a and b", "a, b and c"."""
    return parts[0] if len(parts) == 1 else ", ".join(parts[:-1]) + " and " + parts[-1] if parts else ""


def time_left(seconds: float) -> str:
    """A time to wait, rounded up.

    Args:
        seconds: at least 0.

    Returns:
        Such as "23 s", "4 min 05 s" or "1 h 02 min".
    """
    whole = int(-(-seconds // 1))
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


def _significant(value: Decimal, digits: int) -> Decimal:
    if value == 0:
        return Decimal(0)
    rounded = value.quantize(Decimal(1).scaleb(min(value.adjusted() + 1 - digits, 0)), ROUND_HALF_EVEN)
    # 9.996 became 10.00: one digit too many.
    if rounded.adjusted() > value.adjusted():
        rounded = rounded.quantize(Decimal(1).scaleb(min(rounded.adjusted() + 1 - digits, 0)), ROUND_HALF_EVEN)
    return rounded
