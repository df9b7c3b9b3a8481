"""Words and numbers of oscilloscope CSV headers: units, names of the time axis, start and increment."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final

TIME_UNITS: Final = {
    "s": 1e9, "sec": 1e9, "second": 1e9, "seconds": 1e9, "ms": 1e6, "us": 1e3, "µs": 1e3, "μs": 1e3, "ns": 1.0,
    "ps": 1e-3,
}  # fmt: skip
VOLT_UNITS: Final = {
    "v": 1.0, "volt": 1.0, "volts": 1.0, "vdc": 1.0, "mv": 1e-3, "uv": 1e-6, "µv": 1e-6, "μv": 1e-6, "kv": 1e3,
}  # fmt: skip
_TIME_NAMES: Final = re.compile(r"(?:x|t|x-?axis|rel(?:ative)?\.? time|time(?:stamp)?|second|seconds|zeit)", re.I)
_COUNT_NAMES: Final = re.compile(r"(?:index|sequence|sample|samples|point|points|n|no\.?|number|#)", re.I)
_SEGMENT_NAMES: Final = re.compile(
    r"(?:segment|seg|frame|buffer|waveform|acquisition)(?: ?(?:number|no\.?|index|#))?", re.I
)
_START: Final = re.compile(
    r"(?:start|start ?time|first ?point|x ?(?:origin|zero|start)|time ?(?:origin|start|zero))", re.I
)
_INCREMENT: Final = re.compile(
    r"(?:increment|x ?incr?(?:ement)?|(?:sample|sampling) ?(?:interval|period|time)|delta ?t|dt|interval|"
    r"time ?(?:step|increment|interval)|horizontal ?(?:resolution|interval))",
    re.I,
)
_RATE: Final = re.compile(r"(?:sample|sampling) ?(?:rate|frequency)|samplerate|samples ?per ?second", re.I)
_UNIT: Final = re.compile(r"\s*[\[(]\s*([^\])]+?)\s*[\])]\s*$|\s*/\s*([a-zµμ]+)\s*$|\s+in\s+([a-zµμ]+)\s*$", re.I)
_NUMBER: Final = re.compile(r"\s*[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:e[+-]?\d+)?\s*", re.I)
_VALUE: Final = re.compile(r"\s*([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:e[+-]?\d+)?)\s*([a-zµμ/]*)\s*", re.I)
_RATE_UNITS: Final = {
    "": 1.0, "hz": 1.0, "sa/s": 1.0, "s/s": 1.0, "khz": 1e3, "ksa/s": 1e3, "ks/s": 1e3, "mhz": 1e6, "msa/s": 1e6,
    "ms/s": 1e6, "ghz": 1e9, "gsa/s": 1e9, "gs/s": 1e9,
}  # fmt: skip
# A femtosecond and thirty years: what lies outside is no time of an oscilloscope.
_SHORTEST_NS, _LONGEST_NS = 1e-6, 1e18
_INFINITE: Final = {"inf", "+inf", "-inf", "∞", "+∞", "-∞", "infinity", "-infinity"}


def is_number(text: str, decimal: str = ".") -> bool:
    """Whether a field is a number, or what instruments write for a sample off the screen."""
    if decimal == ",":
        if "." in text:
            return False
        text = text.replace(",", ".")
    return _NUMBER.fullmatch(text) is not None or text.strip().lower() in _INFINITE


def split_unit(cell: str) -> tuple[str, str]:
    """A column's name and its unit, as in "Time (ms)", "CH1 [mV]", "A / V" or "t in s"; "" where none is written."""
    match = _UNIT.search(cell)
    unit = next((part for part in match.groups() if part), "") if match else ""
    if not match or not is_unit(unit):
        return cell.strip(), ""
    return cell[: match.start()].strip(), unit


def is_unit(text: str) -> bool:
    """Whether a field is a unit of time or voltage, bare or in brackets."""
    return bare_unit(text) in TIME_UNITS or bare_unit(text) in VOLT_UNITS


def bare_unit(text: str) -> str:
    """A unit without brackets, in lower case."""
    return text.strip().strip("()[]").strip().lower()


def means_time(name: str) -> bool:
    """Whether a column of that name is a time axis."""
    return _TIME_NAMES.fullmatch(name.strip()) is not None


def means_count(name: str) -> bool:
    """Whether a column of that name counts samples."""
    return _COUNT_NAMES.fullmatch(name.strip()) is not None


def means_segment(name: str) -> bool:
    """Whether a column of that name numbers segments."""
    return _SEGMENT_NAMES.fullmatch(name.strip()) is not None


def means_start(name: str) -> bool:
    """Whether a header's key is the time of the first sample."""
    return _START.fullmatch(_key(name)) is not None


def means_interval(name: str) -> bool:
    """Whether a header's key is the time between samples."""
    return _INCREMENT.fullmatch(split_unit(_key(name))[0]) is not None


def stated_interval_ns(key: str, value: str) -> float | None:
    """The time between samples that a line of the header states, or None where it states something else."""
    name, unit = split_unit(_key(key))
    rate = _RATE.fullmatch(name) is not None
    number = stated(value, unit, _RATE_UNITS if rate else TIME_UNITS, "" if rate else "s")
    if number is None or number <= 0 or not (rate or means_interval(key)):
        return None
    found = 1e9 / number if rate else number
    return found if _SHORTEST_NS <= found <= _LONGEST_NS else None


def stated_start_ns(key: str, value: str) -> float | None:
    """The time of the first sample that a line of the header states, or None."""
    found = stated(value, split_unit(_key(key))[1], TIME_UNITS, "s") if means_start(key) else None
    return None if found is None or abs(found) > _LONGEST_NS else found


def stated(value: str, unit: str, units: Mapping[str, float], usual: str) -> float | None:
    """A value with its own unit, its key's, or the usual one; None where it is no number or the unit is another."""
    match = _VALUE.fullmatch(value)
    if match is None:
        return None
    scale = units.get(match[2].lower() or bare_unit(unit) or usual)
    return None if scale is None else float(match[1]) * scale


def _key(text: str) -> str:
    return text.strip().lstrip("#").strip().rstrip(":=").strip().replace("_", " ")
