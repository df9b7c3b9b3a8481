"""A function generator that takes nothing on trust: checks every header, range, and what goes together."""

from __future__ import annotations

import time
from collections.abc import Callable
from decimal import Decimal, InvalidOperation

NUMBERS = {"PULS:PER": ("1E-6", "1E3"), "PULS:WIDT": ("2E-8", "1E3"), "VOLT:HIGH": ("-5", "5"), "VOLT:LOW": ("-5", "5")}
WORDS = {
    "FUNC": ("SIN", "PULS"),
    "OUTP:POL": ("NORM", "INV"),
    "TRIG:SOUR": ("IMM", "BUS"),
    "BURS:MODE": ("TRIG", "GAT"),
}
RESET = {
    "PULS:PER": "1E-3", "PULS:WIDT": "5E-4", "VOLT:HIGH": "0.05", "VOLT:LOW": "-0.05", "FUNC": "SIN",
    "OUTP:POL": "NORM", "TRIG:SOUR": "IMM", "BURS:MODE": "TRIG", "BURS:NCYC": "1", "BURS:STAT": "0", "OUTP": "0",
}  # fmt: skip
SWITCHES = ("OUTP", "BURS:STAT")


class StrictGenerator:
    """Answers lines; see `ScriptedSerial`.

    Args:
        has_load: whether it knows OUTP:LOAD; one that does not assumes a matched load.

    Attributes:
        values: settings now.
        errors: the error queue.
        bursts: (cycles, monotonic s) of each burst started.
        log: (what, output on, high level) after each line.
    """

    def __init__(self, has_load: bool = True) -> None:
        self.values = dict(RESET)
        self.errors: list[str] = []
        self.bursts: list[tuple[int, float]] = []
        self.log: list[tuple[str, bool, Decimal]] = []
        self.change: Callable[[str, str], str] = lambda _line, answer: answer
        self._has_load = has_load

    def reply(self, line: bytes) -> bytes:
        """Obey one line and answer its queries."""
        text = line.decode("ascii").strip()
        answers = [answer for unit in text.split(";") if unit for answer in [self._obey(unit)] if answer is not None]
        self.log.append((text, self.values["OUTP"] == "1", Decimal(self.values["VOLT:HIGH"])))
        return self.change(text, "".join(f"{answer}\n" for answer in answers)).encode()

    def _obey(self, unit: str) -> str | None:
        header, _, value = unit.partition(" ")
        if header.endswith("?"):
            return self._query(header[:-1])
        if header == "*RST":
            self.values = dict(RESET)
        elif header == "*CLS":
            self.errors.clear()
        elif header == "*TRG":
            self._trigger()
        elif header == "ABOR":
            pass
        elif header == "OUTP:LOAD" and self._has_load:
            self.values[header] = "9.9E37"
        elif header in self.values:
            self._set(header, value)
        else:
            self.errors.append('-113,"Undefined header"')
        return None

    def _query(self, header: str) -> str | None:
        if header == "*IDN":
            return "Works,Strict Generator,42,1.0"
        if header == "*OPC":
            return "1"
        if header == "SYST:ERR":
            return self.errors.pop(0) if self.errors else '+0,"No error"'
        if header in self.values:
            return self.values[header]
        self.errors.append('-113,"Undefined header"')
        return None

    def _set(self, header: str, value: str) -> None:
        wanted = {**self.values, header: value}
        if header in WORDS:
            problem = "" if value in WORDS[header] else '-224,"Illegal parameter value"'
        elif header in SWITCHES:
            problem = "" if value in ("0", "1") else '-224,"Illegal parameter value"'
        else:
            problem = self._number(header, value, wanted)
        if problem:
            self.errors.append(problem)
        else:
            self.values[header] = value if header in WORDS or header in SWITCHES else f"{Decimal(value):+.9E}"

    def _number(self, header: str, value: str, wanted: dict[str, str]) -> str:
        try:
            number = Decimal(value)
        except InvalidOperation:
            return '-104,"Data type error"'
        if header == "BURS:NCYC":
            return "" if 1 <= number <= 50_000 else '-222,"Data out of range"'
        least, most = NUMBERS[header]
        if not Decimal(least) <= number <= Decimal(most):
            return '-222,"Data out of range"'
        if Decimal(wanted["PULS:WIDT"]) >= Decimal(wanted["PULS:PER"]):
            return '-221,"Settings conflict; pulse width is not less than period"'
        if Decimal(wanted["VOLT:LOW"]) >= Decimal(wanted["VOLT:HIGH"]):
            return '-221,"Settings conflict; low level is not below high level"'
        return ""

    def _trigger(self) -> None:
        ready = {"OUTP": "1", "FUNC": "PULS", "TRIG:SOUR": "BUS", "BURS:STAT": "1"}
        if any(self.values[name] != value for name, value in ready.items()):
            self.errors.append('-211,"Trigger ignored"')
            return
        self.bursts.append((int(Decimal(self.values["BURS:NCYC"])), time.monotonic()))
