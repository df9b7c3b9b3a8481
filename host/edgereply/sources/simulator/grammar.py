"""How a pulse source reads a program message: units, headers, parameters."""

from __future__ import annotations

import re
from collections.abc import Callable
from fractions import Fraction
from itertools import product

# header pattern, what it does with its parameters (an answer, or None), how many parameters
CommandRow = tuple[str, Callable[..., str | None], int]

MESSAGE_LIMIT = 128
_NUMBER = re.compile(r"([+-]?)(\d*)(?:\.(\d*))?(?:\s*E\s*([+-]?\d{1,5}))?", re.IGNORECASE | re.ASCII)
_SUFFIXED = re.compile(r"(.*?[\d.])\s*([A-Z]+)?", re.IGNORECASE | re.DOTALL | re.ASCII)
_SCALE: dict[str, int] = {"": 0, "S": 0, "MS": 3, "US": 6, "NS": 9}


class CommandError(Exception):
    """A program message cannot be obeyed.

    Attributes:
        code: as SCPI-99 numbers it.
    """

    def __init__(self, code: int) -> None:
        super().__init__(code)
        self.code = code


def spellings(pattern: str) -> list[str]:
    """List the headers a pattern stands for.

    Args:
        pattern: as SCPI writes it: short form in capitals, optional parts in brackets.

    Returns:
        Every accepted spelling, in capitals.
    """
    parts = re.findall(r"\[[^\]]*\]|[^\[\]]+", pattern)
    choices = [[*([""] if part[0] == "[" else []), *_forms(part.strip("[]"))] for part in parts]
    return ["".join(choice) for choice in product(*choices)]


def _forms(text: str) -> list[str]:
    tokens = re.findall(r"[A-Za-z]+|[^A-Za-z]+", text)
    choices = [sorted({token.upper(), re.sub("[a-z]", "", token)}) for token in tokens]
    return ["".join(choice) for choice in product(*choices)]


def split_unit(unit: str) -> tuple[str, list[str]]:
    """Split one command.

    Args:
        unit: header and parameters, as between two semicolons.

    Returns:
        The header in capitals without a leading colon, and the parameters.
    """
    words = unit.split(None, 1)
    header = words[0].upper() if words else ""
    if header.startswith(":") and not header.startswith(":*"):
        header = header[1:]
    rest = words[1].strip() if len(words) > 1 else ""
    return header, [part.strip() for part in rest.split(",")] if rest else []


def number(text: str) -> Fraction:
    """Returns: an NRf number, exact.

    Raises:
        CommandError: -104 not a number, -222 an exponent beyond all use.
    """
    match = _NUMBER.fullmatch(text)
    if not match or not (match[2] or match[3]):
        raise CommandError(-104)
    exponent = int(match[4] or 0)
    if abs(exponent) > 99:
        raise CommandError(-222)
    digits = (match[2] or "") + (match[3] or "")
    value = Fraction(int(digits)) * Fraction(10) ** (exponent - len(match[3] or ""))
    return -value if match[1] == "-" else value


def integer(text: str) -> int:
    """Returns: an NRf number rounded to the nearest integer, halves up."""
    return (2 * number(text) + 1) // 2


def duration(text: str) -> Fraction:
    """Returns: seconds, from a number with or without S, MS, US, NS.

    Raises:
        CommandError: -104 for what is neither.
    """
    match = _SUFFIXED.fullmatch(text)
    suffix = (match[2] or "").upper() if match else "?"
    if match is None or suffix not in _SCALE:
        raise CommandError(-104)
    return number(match[1]) / Fraction(10 ** _SCALE[suffix])


def keyword(text: str, choices: dict[str, str]) -> str:
    """Pick a word.

    Args:
        text: the parameter.
        choices: accepted spelling in capitals -> value.

    Returns:
        The value.

    Raises:
        CommandError: -224 for another word or number, -104 for what is neither.
    """
    try:
        return choices[text.upper()]
    except KeyError:
        raise CommandError(-224 if re.fullmatch(r"[A-Za-z]\w*|[+-]?[\d.]+", text) else -104) from None
