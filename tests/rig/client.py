"""A small client for the source's command set, of the tests' own: what it expects is what COMMANDS.md says."""

from __future__ import annotations

import struct
import time
from collections.abc import Callable, Iterator
from itertools import pairwise
from types import TracebackType

import serial

from tests.rig.any_rig import RigError
from tests.rig.truth import WRAP

STIMULUS, RISE, FALL, FALL_LOST, TIME_MARK, LOST = range(1, 7)
RECORD = struct.Struct("<BI")
DEVICE_CLEAR = b"\x03"
MOST_RECORDS = 18

Record = tuple[int, int]


class Client:
    """Speaks to a port; every wait ends after `timeout_s` of wall time without a byte."""

    def __init__(self, port: str, timeout_s: float = 20.0) -> None:
        self.line = serial.Serial(port, 500_000, timeout=timeout_s)
        self._ahead = b""

    def __enter__(self) -> Client:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.line.close()

    def send(self, *commands: str) -> None:
        for command in commands:
            self.line.write(command.encode() + b"\n")

    def ask(self, query: str) -> str:
        self.send(query)
        return self.answer()

    def answer(self) -> str:
        """Returns: one line, without its end."""
        line: bytes = self.line.readline()
        if not line.endswith(b"\n"):
            raise RigError(f"no whole answer within {self.line.timeout} s, only {line!r}")
        return line[:-1].decode("ascii")

    def errors(self) -> list[str]:
        """Returns: the error queue, emptied."""
        found = []
        while (error := self.ask("SYST:ERR?")) != '0,"No error"':
            found.append(error)
        return found

    def set(self, *commands: str) -> None:
        """Sends commands one by one and wants each obeyed without an error."""
        for command in commands:
            self.send(command)
            if errors := self.errors():
                raise RigError(f"{command} queued {errors}")

    def exactly(self, count: int) -> bytes:
        data, self._ahead = self._ahead[:count], self._ahead[count:]
        data += self.line.read(count - len(data))
        if len(data) != count:
            raise RigError(f"{count} bytes expected within {self.line.timeout} s, only {data!r} came")
        return data

    def put_back(self, data: bytes) -> None:
        """Lets `exactly` and `block` read bytes again that have been taken already."""
        self._ahead = data + self._ahead

    def block(self) -> list[Record] | None:
        """Returns: the records of one block as sent, or None for the empty one; what follows it is not read."""
        kind = self.exactly(2)
        if kind == b"#1":
            if self.exactly(1) != b"0":
                raise RigError("a short block that is not empty")
            return None
        if kind != b"#2":
            raise RigError(f"{kind!r} begins no block")
        length = int(self.exactly(2))
        if not 0 < length <= MOST_RECORDS * RECORD.size or length % RECORD.size:
            raise RigError(f"a block of {length} bytes")
        return list(RECORD.iter_unpack(self.exactly(length)))

    def blocks(self) -> Iterator[list[Record]]:
        """Yields the blocks of a READ? answer that has been asked for, to its end."""
        while (records := self.block()) is not None:
            if self.exactly(1) != b",":
                raise RigError("a block is not followed by a comma")
            yield records
        if self.exactly(1) != b"\n":
            raise RigError("the message does not end with a line feed")

    def read(self, over: Callable[[], bool] = lambda: False) -> list[Record]:
        """Returns: all records of one READ?.

        Args:
            over: whether the run should have ended by now; by a rig's own time, so that a busy computer is no fault.
        """
        self.send("READ?")
        records: list[Record] = []
        for block in self.blocks():
            records += block
            # In this order: whatever was sent before the time had passed is at hand by now.
            if over() and not self.line.in_waiting:
                raise RigError(f"the run has not ended in time; {len(records)} records came")
        return records

    def fetch(self) -> list[Record]:
        """Returns: the records of one FETCh?."""
        self.send("FETC?")
        records = self.block() or []
        if self.exactly(1) != b"\n":
            raise RigError("the block does not end with a line feed")
        return records

    def silence(self, wall_s: float = 0.3) -> bytes:
        """Returns: what comes within a time, normally nothing."""
        time.sleep(wall_s)
        data: bytes = self.line.read(self.line.in_waiting)
        return data


def values(records: list[Record], kind: int) -> list[int]:
    return [value for of, value in records if of == kind]


def gaps(records: list[Record]) -> list[int]:
    """Returns: ticks from a run's start to its first stimulus, and from each stimulus to the next."""
    stamps = [values(records, TIME_MARK)[0], *values(records, STIMULUS)]
    return [(after - before) % WRAP for before, after in pairwise(stamps)]
