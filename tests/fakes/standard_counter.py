"""A universal counter that knows the standard's words and no others; a generator's pulses reach its input."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

from tests.fakes.strict_generator import StrictGenerator

RESET = {"EVEN1:LEV": "0", "EVEN2:LEV": "0", "EVEN1:SLOP": "POS", "EVEN2:SLOP": "POS"}


class StandardCounter:
    """Answers lines; see `ScriptedSerial`.

    Args:
        generator: its bursts are what input 1 sees.
        answer: number of a stimulus, from 0, to its reaction time in s, as text; "" where there is no answer.
    """

    def __init__(self, generator: StrictGenerator, answer: Callable[[int], str]) -> None:
        self.values = dict(RESET)
        self.errors: list[str] = []
        self.log: list[str] = []
        self._generator = generator
        self._answer = answer
        self._function = ""
        self._since: int | None = None
        self._reading = ""

    def reply(self, line: bytes) -> bytes:
        """Obey one line and answer its queries."""
        text = line.decode("ascii").strip()
        self.log.append(text)
        answers = [answer for unit in text.split(";") if unit for answer in [self._obey(unit)] if answer is not None]
        return "".join(f"{answer}\n" for answer in answers).encode()

    def _obey(self, unit: str) -> str | None:
        self._look()
        header, _, value = unit.partition(" ")
        if header == "*RST":
            self.values, self._function, self._since = dict(RESET), "", None
        elif header == "*CLS":
            self.errors.clear()
        elif header == "CONF:TINT" and value == "(@1),(@2)":
            self._function = "TINT"
        elif header == "INIT":
            self._begin()
        elif header == "ABOR":
            self._since = None
        elif header in self.values:
            self._set(header, value)
        elif header.endswith("?"):
            return self._query(header[:-1])
        else:
            self.errors.append('-113,"Undefined header"')
        return None

    def _begin(self) -> None:
        if self._since is not None or not self._function:
            self.errors.append('-213,"Init ignored"')
            return
        self._since, self._reading = len(self._generator.bursts), ""

    def _look(self) -> None:
        """End the measurement once the pulse that came since it began has been answered."""
        if self._since is not None and len(self._generator.bursts) > self._since and (got := self._answer(self._since)):
            self._since, self._reading = None, got

    def _set(self, header: str, value: str) -> None:
        if header.endswith("SLOP"):
            fits = value in ("POS", "NEG")
        else:
            fits = abs(Decimal(value)) <= 5
            value = f"{Decimal(value):+.3E}"
        if fits:
            self.values[header] = value
        else:
            self.errors.append('-222,"Data out of range"')

    def _query(self, header: str) -> str | None:
        if header == "*IDN":
            return "Works,Standard Counter,11,3.0"
        if header == "*OPC":
            return "1"
        if header == "SYST:ERR":
            return self.errors.pop(0) if self.errors else '+0,"No error"'
        if header == "STAT:OPER:COND":
            return "16" if self._since is not None else "0"
        if header == "FETC":
            if self._since is None and self._reading:
                return self._reading
            self.errors.append('-230,"Data corrupt or stale"')
            return None
        if header in self.values:
            return self.values[header]
        self.errors.append('-113,"Undefined header"')
        return None
