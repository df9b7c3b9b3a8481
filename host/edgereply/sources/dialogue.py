"""Asking and setting an instrument over its line, with a look at its error queue after each setting."""

from __future__ import annotations

from decimal import Decimal

from edgereply.errors import HostError, SettingError, SourceError
from edgereply.sources import scpi
from edgereply.sources.ports.base import Port
from edgereply.system.deadline import Deadline

ANSWER_S = 2.0
RESET_S = 10.0
# Codes that blame the value asked for, not the instrument or the line.
REFUSALS = (-221, -222, -224)
_QUEUE_DEPTH = 32


class Dialogue:
    """One instrument that speaks SCPI.

    Args:
        port: its line.
        what: what to call it in errors, e.g. ``pulse source``.
    """

    def __init__(self, port: Port, what: str) -> None:
        self.port = port
        self._what = what

    def tell(self, *commands: str) -> None:
        """Send commands that have no answer.

        Raises:
            SourceError: the port is gone.
        """
        self.port.send(scpi.message(*commands))

    def ask(self, query: str) -> str:
        """Send a query.

        Returns:
            Its answer, without the line end.

        Raises:
            SourceError: no answer in time, half of one, or bytes that are no text.
        """
        return self.answer_to(query, Deadline(ANSWER_S))

    def answer_to(self, query: str, deadline: Deadline) -> str:
        """Send a query whose answer may take long; as `ask`."""
        self.tell(query)
        return self.answer(query, deadline)

    def answer(self, query: str, deadline: Deadline) -> str:
        """Wait for the answer to a query sent before; as `ask`."""
        line = self.port.receive_line(deadline)
        if line is None:
            raise self.silent(f"did not answer {query}")
        if not line.endswith(b"\n"):
            raise self.silent(f"broke off its answer to {query} after {scpi.printable(line)!r}")
        try:
            return scpi.parse_line(line)
        except scpi.ScpiError as error:
            raise self.nonsense(query, line) from error

    def number(self, query: str, least: int = 0) -> int:
        """Send a query for a whole number.

        Raises:
            SourceError: as `ask`, or not such a number.
        """
        text = self.ask(query)
        try:
            value = scpi.parse_integer(text)
        except scpi.ScpiError as error:
            raise self.nonsense(query, text.encode()) from error
        if value < least:
            raise self.nonsense(query, text.encode())
        return value

    def time_ns(self, query: str) -> int:
        """Send a query for a time.

        Returns:
            In ns.

        Raises:
            SourceError: as `ask`, or not a number.
        """
        return int((self._parsed(query, self.ask(query)) * 1_000_000_000).to_integral_value())

    def error(self) -> scpi.ErrorEntry:
        """Returns: the oldest entry of the error queue; its code is 0 when there is none.

        Raises:
            SourceError: as `ask`.
        """
        text = self.ask("SYST:ERR?")
        try:
            return scpi.parse_error(text)
        except scpi.ScpiError as error:
            raise self.nonsense("SYST:ERR?", text.encode()) from error

    def reset(self, timeout_s: float = RESET_S) -> None:
        """Bring an instrument to a known state, its error queue empty.

        Raises:
            SourceError: it does not say in time that it is done.
        """
        self.tell("*CLS", "*RST")
        self.answer_to("*OPC?", Deadline(timeout_s))
        self.check("*RST")

    def identification(self) -> scpi.Identification:
        """Who an instrument of any maker says it is; what is left of a talk before is thrown away.

        Raises:
            SourceError: it does not say it as IEEE 488.2 has it.
        """
        self.port.clear()
        text = self.ask("*IDN?")
        try:
            return scpi.parse_identification(text)
        except scpi.ScpiError as error:
            raise SourceError(
                f"what answers here does not identify itself as IEEE 488.2 says; it said {text[:60]!r}",
                self.port.name,
                f"name the port of the {self._what} and its baud rate",
            ) from error

    def check(self, did: str) -> None:
        """Empty the error queue.

        Args:
            did: what was sent, for the error.

        Raises:
            SettingError: the value was refused.
            SourceError: something else is wrong.
        """
        first = entry = self.error()
        for _ in range(_QUEUE_DEPTH):
            if not entry.code:
                break
            entry = self.error()
        if first.code:
            raise self._complaint(did, first)

    def accepts(self, command: str, unless: int) -> bool:
        """Try a command that the instrument need not have.

        Args:
            command: to send.
            unless: the error code that says it does not have it.

        Returns:
            Whether it was obeyed. Raises as `check` for any other error.
        """
        self.tell(command)
        entry = self.error()
        if entry.code in (0, unless):
            self.check(command)
            return entry.code == 0
        raise self._complaint(command, entry)

    def set_word(self, header: str, value: str, answers: tuple[str, ...] = ()) -> None:
        """Set a word and read it back.

        Args:
            header: of the setting.
            value: to send.
            answers: readings that mean the same, besides the value itself.

        Raises:
            SettingError: the value was refused.
            SourceError: it reads back as something else, or the line failed.
        """
        got = self._set(header, value)
        if got.upper() not in (value, *answers):
            raise self._took(header, value, got)

    def set_integer(self, header: str, value: int) -> None:
        """Set a whole number and read it back; raises as `set_word`."""
        got = self._set(header, str(value))
        if self._parsed(f"{header}?", got) != value:
            raise self._took(header, str(value), got)

    def set_value(self, header: str, value: str) -> Decimal:
        """Set a number.

        Args:
            header: of the setting.
            value: as it is sent.

        Returns:
            The number as it reads back. Raises as `set_word`.
        """
        return self._parsed(f"{header}?", self._set(header, value))

    def set_time(self, header: str, wanted_ns: int, tolerance_ns: int) -> int:
        """Set a time and read it back.

        Args:
            header: of the setting.
            wanted_ns: in ns.
            tolerance_ns: how far the reading may be off.

        Returns:
            The time as it took effect, in ns. Raises as `set_word`.
        """
        took_ns = int((self.set_value(header, scpi.seconds(wanted_ns)) * 1_000_000_000).to_integral_value())
        if abs(took_ns - wanted_ns) > tolerance_ns:
            raise self._took(header, f"{wanted_ns} ns", f"{took_ns} ns")
        return took_ns

    def silent(self, what: str) -> SourceError:
        """Returns: the error for an instrument that does not speak as it should."""
        return SourceError(
            f"the {self._what} {what}", self.port.name, "check power, cable and baud rate, reset it, retry"
        )

    def nonsense(self, query: str, line: bytes) -> SourceError:
        """Returns: the error for an answer that cannot be one."""
        return SourceError(
            f"the answer to {query} makes no sense: {scpi.printable(line)!r}",
            self.port.name,
            "check the cable and the baud rate",
        )

    def _complaint(self, did: str, entry: scpi.ErrorEntry) -> HostError:
        if entry.code in REFUSALS:
            return SettingError(f"the {self._what} refused {did}: {entry}", self.port.name, "choose another value")
        return SourceError(f"{did} failed: {entry}", self.port.name, f"see the manual of the {self._what}")

    def _set(self, header: str, value: str) -> str:
        self.tell(f"{header} {value}")
        self.check(f"{header} {value}")
        return self.ask(f"{header}?")

    def _parsed(self, query: str, answer: str) -> Decimal:
        try:
            return scpi.parse_number(answer)
        except scpi.ScpiError as error:
            raise self.nonsense(query, answer.encode()) from error

    def _took(self, header: str, wanted: str, got: str) -> SourceError:
        return SourceError(
            f"{header} was set to {wanted} but reads {got[:60]}",
            self.port.name,
            f"check the firmware's version and the manual of the {self._what}",
        )
