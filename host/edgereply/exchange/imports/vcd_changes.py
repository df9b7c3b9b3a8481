"""Value changes of a VCD, streamed in blocks: some eight times as fast as one byte at a time.

Source: IEEE Std 1364-2005, clause 18.2: simulation times, scalar, vector and real changes, and the $dump… commands.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from edgereply.errors import DataError
from edgereply.exchange.imports.files import Progress, line_blocks, no_progress
from edgereply.exchange.imports.vcd_header import Header

MOST_TIME: Final = 2**63 - 1
MOST_CHANGES: Final = 40_000_000
BLOCK_BYTES: Final = 1 << 20
_HASH, _DOLLAR = ord("#"), ord("$")
_LEVELS: Final = {ord("0"): 0, ord("1"): 1, ord("l"): 0, ord("h"): 1, ord("L"): 0, ord("H"): 1}
_UNKNOWN: Final = frozenset(b"xXzZuUwW-")
_WORDY: Final = frozenset(b"bBrRsS")
_DUMPS: Final = frozenset((b"$dumpvars", b"$dumpall", b"$dumpon", b"$dumpoff", b"$end"))


@dataclass(slots=True)
class Signal:
    """Changes of one identifier code.

    Attributes:
        at: times in units of the file's time scale, rising.
        level: 0 or 1 after each.
        unknown: changes to x or z, which keep the level before.
    """

    at: array[int] = field(default_factory=lambda: array("q"))
    level: bytearray = field(default_factory=bytearray)
    unknown: int = 0
    now: int = -1


@dataclass(slots=True)
class Changes:
    """All changes of a file.

    Attributes:
        signals: by identifier code.
        start, end: first and last time in the file.
        gaps: times between which nothing was dumped ($dumpoff to $dumpon).
    """

    signals: dict[bytes, Signal]
    start: int = -1
    end: int = -1
    gaps: list[tuple[int, int]] = field(default_factory=list)


def read_changes(path: Path, header: Header, tell: Progress = no_progress) -> Changes:
    """Read all value changes of the single-bit variables.

    Args:
        path: of the file.
        header: of the file.
        tell: progress.

    Raises:
        DataError: a token is none of the standard's, an identifier is not declared, time goes back, or there are too
            many changes; with the number of the line.
    """
    reader = _Reader(path, header)
    skip = header.size
    for line, block in line_blocks(path, tell, BLOCK_BYTES):
        body = block[skip:]
        if body:
            reader.take(line + block[:skip].count(b"\n"), body)
        skip = max(0, skip - len(block))
    return reader.finish()


class _Reader:
    """Takes tokens; what is begun in one block may end in the next."""

    def __init__(self, path: Path, header: Header) -> None:
        self._path = path
        self._signals = {code: Signal() for code in header.variables.values()}
        self._declared = header.codes
        self._changes = Changes(self._signals)
        self._now = -1
        self._off: int | None = None
        self._comment = self._value = False
        self._count = 0

    def take(self, line: int, block: bytes) -> None:
        """Tokens of some lines; the loop is short, since it meets every edge."""
        signals, levels = self._signals, _LEVELS
        now, count = self._now, self._count
        for place, token in enumerate(block.split()):
            kind = token[0]
            if not (self._comment or self._value):
                if kind == _HASH:
                    now = self._time(token, now, line, block, place)
                    continue
                level = levels.get(kind)
                if level is not None:
                    signal = signals.get(token[1:])
                    if signal is None:
                        self._check_code(token[1:], line, block, place)
                    elif level != signal.now:
                        if now < 0:
                            now = self._time(b"#0", now, line, block, place)
                        signal.at.append(now)
                        signal.level.append(level)
                        signal.now = level
                        count += 1
                    continue
            self._other(token, now, line, block, place)
        self._now, self._count = now, count
        if count > MOST_CHANGES:
            raise self._wrong(f"more than {MOST_CHANGES:,} changes up to here", line, block, 0)

    def finish(self) -> Changes:
        """All that was found.

        Raises:
            DataError: a $comment has no $end.
        """
        if self._comment or self._value:
            raise DataError(
                "the file ends in the middle of a change or comment", where=str(self._path), remedy="export it again"
            )
        changes = self._changes
        changes.end = self._now
        if self._off is not None:
            changes.gaps.append((self._off, self._now))
        return changes

    def _time(self, token: bytes, now: int, line: int, block: bytes, place: int) -> int:
        digits = token[1:]
        if not digits.isdigit() or len(digits) > 19 or int(digits) > MOST_TIME:
            # Some writers give times a fraction, which must be zero.
            whole, _, rest = digits.partition(b".")
            if not whole.isdigit() or len(whole) > 18 or rest.strip(b"0"):
                raise self._wrong(f"{_shown(token)} is no time", line, block, place)
            digits = whole
        at = int(digits)
        if at < now:
            raise self._wrong(f"time goes back from {now} to {at}", line, block, place)
        changes = self._changes
        if changes.start < 0:
            changes.start = at
        return at

    def _other(self, token: bytes, now: int, line: int, block: bytes, place: int) -> None:
        """What is neither a time nor a scalar change to 0 or 1."""
        kind = token[0]
        if self._comment:
            self._comment = token != b"$end"
        elif self._value:
            self._value = False
            self._check_code(token, line, block, place)
        elif kind in _UNKNOWN:
            signal = self._signals.get(token[1:])
            if signal is None:
                self._check_code(token[1:], line, block, place)
            elif signal.now >= 0 and self._off is None:
                signal.unknown += 1
        elif kind in _WORDY:
            self._value = True
        elif token == b"$comment":
            self._comment = True
        elif token == b"$dumpoff":
            self._off = now
        elif token == b"$dumpon":
            if self._off is not None:
                self._changes.gaps.append((self._off, now))
            self._off = None
        elif token not in _DUMPS:
            raise self._wrong(f"{_shown(token)} is no change, time or command", line, block, place)

    def _check_code(self, code: bytes, line: int, block: bytes, place: int) -> None:
        if code not in self._declared:
            raise self._wrong(f"the header declares no identifier {_shown(code)}", line, block, place)

    def _wrong(self, what: str, line: int, block: bytes, place: int) -> DataError:
        """An error that names the line of a token, which is only counted out when it is needed."""
        for number, text in enumerate(block.split(b"\n"), line):
            place -= len(text.split())
            if place < 0:
                line = number
                break
        return DataError(
            f"line {line}: {what}",
            where=f"{self._path}:{line}",
            remedy="export the recording again, or cut the file there",
        )


def _shown(token: bytes) -> str:
    return repr(token[:40].decode("ascii", "replace"))
