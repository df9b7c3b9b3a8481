"""Words and numbers of oscilloscope CSV headers: units, names of the time axis, start and increment."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final

_SECONDS: Final = {
    "": 1e9, "m": 1e6, "milli": 1e6, "u": 1e3, "µ": 1e3, "μ": 1e3, "micro": 1e3, "n": 1.0, "nano": 1.0, "p": 1e-3,
    "pico": 1e-3,
}  # fmt: skip
_VOLTS: Final = {"": 1.0, "m": 1e-3, "milli": 1e-3, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "micro": 1e-6, "k": 1e3}
# Every prefix with every way to write the unit: "ms", "msec", "milliseconds", …
TIME_UNITS: Final = {
    prefix + unit: scale
    for prefix, scale in _SECONDS.items()
    for unit in ("s", "sec", "secs", "second", "seconds", "second(s)")
}
VOLT_UNITS: Final = {prefix + unit: scale for prefix, scale in _VOLTS.items() for unit in ("v", "volt", "volts", "vdc")}
# Levels that are neither low nor high, as simulators and logic analysers write them.
UNKNOWN_LEVELS: Final = ("X", "x", "Z", "z", "U", "u", "W", "w", "?")
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
_UNIT: Final = re.compile(
    r"\s*[\[(]\s*([^\])]+?)\s*[\])]\s*$|\s*/\s*([a-zµμ]+)\s*$|(?:^|\s+)in\s+([a-zµμ]+)\s*$|"
    r"(?<=^time)_([a-zµμ]+)$|(?<=^t)_([a-zµμ]+)$",
    re.I,
)
# What a circuit simulator calls the voltage of a node and the current through an element: no unit in brackets.
_NODE: Final = re.compile(r"[vi]\([^()]*\)", re.I)
_SOURCE: Final = re.compile(r"(?:waveform ?)?source|(?:channel|trace|signal|waveform) ?name", re.I)
_HORIZONTAL: Final = re.compile(r"(?:horizontal|x|x-?axis|time) ?units?", re.I)
_VERTICAL: Final = re.compile(r"(?:vertical|y|y-?axis) ?units?", re.I)
_NAMELESS: Final = re.compile(r"|volts?|voltage|value|values|y|y-?axis|ampl(?:itude)?|data|level|state", re.I)
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
    if _NODE.fullmatch(cell.strip()) and bare_unit(cell.strip()[2:-1]) not in VOLT_UNITS:
        return cell.strip(), "V" if cell.strip()[0] in "vV" else ""
    match = _UNIT.search(cell)
    unit = next((part for part in match.groups() if part), "") if match else ""
    if not match or not is_unit(unit):
        return cell.strip(), ""
    return cell[: match.start()].strip(), unit


def is_unit(text: str) -> bool:
    """Whether a field is a unit of time or voltage, bare or in brackets."""
    return bare_unit(text) in TIME_UNITS or bare_unit(text) in VOLT_UNITS


def bare_unit(text: str) -> str:
    """A unit without brackets and without the "in" before it, in lower case."""
    bare = text.strip().lower()
    if bare.startswith(("(", "[")) and bare.endswith((")", "]")):
        bare = bare[1:-1].strip()
    return bare.removeprefix("in ").strip()


def is_unknown(text: str) -> bool:
    """Whether a field is a logic level that is neither low nor high."""
    return text.strip() in UNKNOWN_LEVELS


def is_level(text: str) -> bool:
    """Whether a field is a logic level, unknown or not."""
    return text.strip() in ("0", "1") or is_unknown(text)


def is_nameless(name: str) -> bool:
    """Whether a column's title says no more than what every column holds."""
    return _NAMELESS.fullmatch(name.strip()) is not None


def means_source(name: str) -> bool:
    """Whether a header's key is the name of a channel."""
    return _SOURCE.fullmatch(_key(name)) is not None


def means_horizontal_unit(name: str) -> bool:
    """Whether a header's key is the unit of time."""
    return _HORIZONTAL.fullmatch(_key(name)) is not None


def means_vertical_unit(name: str) -> bool:
    """Whether a header's key is the unit of a channel."""
    return _VERTICAL.fullmatch(_key(name)) is not None


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


def stated_interval_ns(key: str, value: str, usual: str = "s") -> float | None:
    """The time between samples that a line of the header states, or None where it states something else.

    Args:
        key, value: of the line.
        usual: unit of a time that has none of its own.
    """
    name, unit = split_unit(_key(key))
    rate = _RATE.fullmatch(name) is not None
    number = stated(value, unit, _RATE_UNITS if rate else TIME_UNITS, "" if rate else usual)
    if number is None or number <= 0 or not (rate or means_interval(key)):
        return None
    found = 1e9 / number if rate else number
    return found if _SHORTEST_NS <= found <= _LONGEST_NS else None


def stated_start_ns(key: str, value: str, usual: str = "s") -> float | None:
    """The time of the first sample that a line of the header states, or None; `usual` as for the interval."""
    found = stated(value, split_unit(_key(key))[1], TIME_UNITS, usual) if means_start(key) else None
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
