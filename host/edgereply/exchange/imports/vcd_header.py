"""The header of a VCD file, read with pyvcd: time scale, variables, the writer's own words.

Source: IEEE Std 1364-2005, clause 18 (the same in IEEE Std 1800). pyvcd reads one byte at a time in Python, which is no
matter for a header; the value changes are read by `vcd_changes`.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Final

from vcd.reader import ScopeDecl, Token, TokenKind, VarDecl, VCDParseError, tokenize

from edgereply.errors import DataError
from edgereply.exchange.imports.files import head_of

MOST_HEADER_BYTES: Final = 4 << 20
_END: Final = b"$enddefinitions"
_UNIT_NS: Final[dict[str, int | Fraction]] = {
    "s": 10**9,
    "ms": 10**6,
    "us": 10**3,
    "ns": 1,
    "ps": Fraction(1, 10**3),
    "fs": Fraction(1, 10**6),
}
_NO_BITS: Final = ("real", "realtime", "shortreal", "string", "event")
_WORDS: Final = {TokenKind.DATE: "date", TokenKind.VERSION: "version", TokenKind.COMMENT: "comment"}


@dataclass(frozen=True, slots=True)
class Header:
    """What a VCD says before its value changes.

    Attributes:
        tick_ns: nanoseconds a unit of time.
        scale: the time scale as written, such as "10 us".
        variables: identifier code of every single bit, by full name; several may share a code.
        codes: of all variables, the others' too.
        others: names of variables of more than one bit, or real ones.
        size: bytes of the header.
        lines: complete lines of the header, so that the next line has number `lines` + 1.
        words: date, version and comments.
    """

    tick_ns: Fraction
    scale: str
    variables: dict[str, bytes]
    codes: frozenset[bytes]
    others: tuple[str, ...]
    size: int
    lines: int
    words: str


def read_header(path: Path) -> Header:
    """Read the header of a VCD.

    Raises:
        DataError: no VCD header within the first 4 MiB, or it is damaged; with the number of the line.
    """
    data = head_of(path, MOST_HEADER_BYTES)
    end = data.find(_END)
    close = data.find(b"$end", end + len(_END)) if end >= 0 else -1
    if close < 0:
        raise DataError(
            "there is no $enddefinitions within the first 4 MiB",
            where=f"{path}:1",
            remedy="is this a value change dump (VCD)? The file may have been cut off",
        )
    size = close + len(b"$end")
    # The standard knows ASCII only; dates and comments in other letters are no reason to refuse a file.
    text = bytes(byte if byte < 128 else 63 for byte in data[:size])
    try:
        return _header(list(tokenize(io.BytesIO(text))), size, text.count(b"\n"), path)
    except VCDParseError as error:
        line = error.loc.line
        reason = str(error).partition(": ")[2]
        raise _damaged(path, line, reason) from error
    except ValueError as error:
        raise _damaged(path, 1, str(error)) from error


def _header(tokens: list[Token], size: int, lines: int, path: Path) -> Header:
    scope: list[str] = []
    variables: dict[str, bytes] = {}
    others: dict[str, bytes] = {}
    words: list[str] = []
    scale = None
    for token in tokens:
        if token.kind in _WORDS:
            words.append(f"{_WORDS[token.kind]}: {' '.join(str(token.data).split())}")
        elif token.kind is TokenKind.TIMESCALE:
            scale = token.timescale
        elif isinstance(token.data, ScopeDecl):
            scope.append(token.data.ident)
        elif token.kind is TokenKind.UPSCOPE:
            if not scope:
                raise _damaged(path, token.span.start.line, "$upscope without a $scope")
            scope.pop()
        elif isinstance(token.data, VarDecl):
            one_bit = token.data.size == 1 and token.data.type_.value not in _NO_BITS
            name = ".".join([*filter(None, scope), token.data.ref_str])
            (variables if one_bit else others)[name] = token.data.id_code.encode()
    if scale is None:
        raise _damaged(path, 1, "there is no $timescale")
    magnitude, unit = int(scale.magnitude), scale.unit.value
    if magnitude not in (1, 10, 100):
        raise _damaged(path, 1, f"the time scale is {magnitude} {unit}, not 1, 10 or 100 of a unit")
    codes = frozenset((*variables.values(), *others.values()))
    return Header(
        Fraction(_UNIT_NS[unit]) * magnitude, f"{magnitude} {unit}", variables, codes, tuple(others), size, lines,
        "\n".join(words),
    )  # fmt: skip


def _damaged(path: Path, line: int, reason: str) -> DataError:
    return DataError(
        f"line {line}: the VCD header is damaged: {reason}", where=f"{path}:{line}", remedy="export the recording again"
    )
