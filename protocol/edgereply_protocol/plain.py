"""JSON that means the same at both ends: the rules of RFC 7493 (I-JSON), with whole numbers of up to 64 bits.

Refused, beside what is not JSON: names given twice, NaN and infinities, halves of surrogate pairs, larger numbers, and
values nested deeper than `MAX_DEPTH`. What is refused on arrival is refused before sending, so the blame falls right.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from typing import Any

MAX_DEPTH = 32


def pack(value: Any) -> bytes:
    """Put a value into JSON.

    Raises:
        ValueError: the value breaks a rule above; the text says which.
    """
    # First into text: that refuses circles, which `_check` would walk round and round.
    try:
        text = json.dumps(value, separators=(",", ":"), allow_nan=False)
    except RecursionError:
        raise ValueError(f"nested deeper than {MAX_DEPTH} levels") from None
    except TypeError as error:
        raise ValueError(f"{error}") from error
    _check(value)
    return text.encode()


def unpack(data: bytes) -> Any:
    """Value of some JSON.

    Raises:
        ValueError: not JSON, or it breaks a rule above; the text says which.
    """
    try:
        value = json.loads(data.decode(), object_pairs_hook=_object)
    except RecursionError:
        raise ValueError(f"nested deeper than {MAX_DEPTH} levels") from None
    _check(value)
    return value


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a name is given twice")
    return found


def _check(value: Any) -> None:
    # Level by level instead of by recursion: depth is what the peer may be wrong about.
    level: list[Any] = [value]
    depth = 0
    while level:
        if depth == MAX_DEPTH and any(isinstance(inner, (dict, list, tuple)) for inner in level):
            raise ValueError(f"nested deeper than {MAX_DEPTH} levels")
        level = [inner for outer in level for inner in _inside(outer)]
        depth += 1


def _inside(value: Any) -> Iterable[Any]:
    if isinstance(value, dict):
        for name in value:
            if not isinstance(name, str):
                raise ValueError(f"names are text, not {type(name).__name__}")
            _check_text(name)
        return value.values()
    if isinstance(value, (list, tuple)):
        return value
    if isinstance(value, str):
        _check_text(value)
    elif isinstance(value, int):
        if not -(2**63) <= value < 2**64:
            raise ValueError("a whole number does not fit in 64 bits")
    elif isinstance(value, float):
        if not math.isfinite(value):
            raise ValueError("a number is not finite")
    elif value is not None:
        raise ValueError(f"{type(value).__name__} has no JSON form")
    return ()


def _check_text(text: str) -> None:
    try:
        text.encode()
    except UnicodeEncodeError:
        raise ValueError("text holds half a surrogate pair") from None
