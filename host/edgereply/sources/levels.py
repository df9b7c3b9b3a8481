"""Levels of a generator's pulses: no more than the board's input bears, and read back before they are let out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import Decimal

from edgereply.errors import SettingError, SourceError
from edgereply.sources.dialogue import Dialogue

LOWEST_V = Decimal("-0.3")
_STEP_V = Decimal("0.05")
_UNDEFINED_HEADER = -113


@dataclass(frozen=True, slots=True)
class Levels:
    """Levels wanted.

    Attributes:
        high_v: of a pulse, in V.
        low_v: between pulses, in V.
        limit_v: the most the board's input bears, in V.
    """

    high_v: Decimal
    low_v: Decimal
    limit_v: Decimal

    def check(self, factor: int = 1) -> None:
        """Refuse levels that do not rise, or that the input does not bear.

        Args:
            factor: of the setting that is put on an input that draws nothing.

        Raises:
            SettingError: with both levels and what the input bears.
        """
        high_v, low_v = self.high_v, self.low_v
        doubled = f" ({factor} times the setting, as the generator assumes a matched load)" if factor > 1 else ""
        if high_v <= low_v:
            raise SettingError(f"a pulse from {low_v} V to {high_v} V does not rise", "levels", "swap the levels")
        if high_v * factor > self.limit_v or low_v * factor < LOWEST_V:
            raise SettingError(
                f"pulses from {low_v * factor} V to {high_v * factor} V{doubled} would damage an input that bears "
                f"{LOWEST_V} V to {self.limit_v} V; the output was left off",
                "levels",
                "lower the levels, or put a divider in between and declare what it bears",
            )

    def set_on(self, dialogue: Dialogue, where: str) -> None:
        """Set them, and read back what the generator took; its output is still off.

        Args:
            dialogue: with the generator.
            where: its port, for errors.

        Raises:
            SettingError: what it took, or would put on an input, is too much for the board.
            SourceError: it did not take them.
        """
        # A generator that assumes a matched load puts twice its setting on an input that draws nothing.
        factor = 1 if dialogue.accepts("OUTP:LOAD INF", _UNDEFINED_HEADER) else 2
        self.check(factor)
        high_v = dialogue.set_value("VOLT:HIGH", f"{self.high_v}")
        low_v = dialogue.set_value("VOLT:LOW", f"{self.low_v}")
        replace(self, high_v=high_v, low_v=low_v).check(factor)
        for name, wanted_v, got_v in (("VOLT:HIGH", self.high_v, high_v), ("VOLT:LOW", self.low_v, low_v)):
            if abs(got_v - wanted_v) > _STEP_V:
                raise SourceError(f"{name} was set to {wanted_v} V but reads {got_v} V", where)
