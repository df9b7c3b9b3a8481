import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgereply_protocol.plain import MAX_DEPTH, pack, unpack

VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**63), 2**64 - 1)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(codec="utf-8")),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(st.characters(codec="utf-8")), inner),
)


@given(VALUES)
def test_round_trip(value: Any) -> None:
    assert unpack(pack(value)) == value


def nested(levels: int) -> list[Any]:
    value: list[Any] = []
    for _ in range(levels - 1):
        value = [value]
    return value


def test_depth() -> None:
    assert unpack(pack(nested(MAX_DEPTH))) == nested(MAX_DEPTH)
    for levels in (MAX_DEPTH + 1, 200_000):
        with pytest.raises(ValueError, match="nested deeper"):
            unpack(b"[" * levels + b"]" * levels)
    for levels in (MAX_DEPTH + 1, 5_000):
        with pytest.raises(ValueError, match="nested deeper"):
            pack(nested(levels))


CIRCLE: list[Any] = []
CIRCLE += [CIRCLE, CIRCLE]


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (math.nan, "JSON compliant|finite"),
        ([-math.inf], "JSON compliant|finite"),
        (2**64, "64 bits"),
        ({"a": -(2**63) - 1}, "64 bits"),
        (10**5000, "digits|64 bits"),
        ("\udcff", "surrogate"),
        ({"\ud800": 1}, "surrogate"),
        ({1: 2}, "names are text"),
        (b"bytes", "bytes"),
        ({1, 2}, "set"),
        (CIRCLE, "Circular|nested"),
    ],
    ids=lambda value: type(value).__name__,
)
def test_what_is_refused_before_sending(value: Any, text: str) -> None:
    with pytest.raises(ValueError, match=text):
        pack(value)


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"{",
        b"{}{}",
        b"\xff",
        b"NaN",
        b"[Infinity]",
        b"-Infinity",
        b"1e999",
        b"18446744073709551616",
        b"-9223372036854775809",
        b"9" * 5000,
        rb'"\udcff"',
        rb'{"\ud800":1}',
        b'{"a":1,"a":1}',
        b'{"b":{"a":1,"\\u0061":2}}',
        '{"a":1}'.encode("utf-16"),
        b"\xef\xbb\xbf{}",
    ],
    ids=lambda data: repr(data[:16]),
)
def test_what_is_refused_on_arrival(data: bytes) -> None:
    with pytest.raises(ValueError):
        unpack(data)


@given(st.binary() | st.text().map(lambda text: text.encode("utf-8", "replace")))
def test_random_bytes(data: bytes) -> None:
    try:
        value = unpack(data)
    except ValueError:
        return
    assert unpack(pack(value)) == value
