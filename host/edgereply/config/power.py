"""Electric power as people write it, with the accuracy of the meter it was read from."""

import re
from decimal import Decimal

from pydantic import BaseModel, ConfigDict, Field

MOST_UW = 10**10
_UNITS = {"uw": 1, "µw": 1, "μw": 1, "mw": 1_000, "w": 1_000_000}
_NUMBER = r"(\d+(?:\.\d*)?|\.\d+)"
_ACCURACY = rf"(?:±|\+/?-)\s*{_NUMBER}\s*(%|[uµμm]?w)?"
_POWER = re.compile(rf"\s*{_NUMBER}\s*([uµμm]?w)\s*(?:{_ACCURACY})?\s*", re.IGNORECASE)
_ALONE = re.compile(rf"\s*(?:±|\+/?-)?\s*{_NUMBER}\s*(%|[uµμm]?w)\s*", re.IGNORECASE)
HOW = "write it like '3.1W±0.1', '3.1 W +- 100mW' or '3.1W±2%'"


class Power(BaseModel):
    """A power and how far it may be off; microwatts. `accuracy_uw` is None where nobody stated it."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    value_uw: int = Field(gt=0, le=MOST_UW)
    accuracy_uw: int | None = Field(default=None, ge=0, le=MOST_UW)


class Accuracy(BaseModel):
    """How far a meter may be off: a share of what it shows, or a fixed power."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    share: float = 0.0
    fixed_uw: int = 0

    def of(self, value_uw: int) -> int:
        """The accuracy at a power, microwatts."""
        return round(self.share * value_uw) + self.fixed_uw


def parse_power(text: str) -> Power:
    """Read "3.1W±0.1", "3100 mW +- 2%" or "3.1W".

    Raises:
        ValueError: anything else; the text says what is allowed.
    """
    match = _POWER.fullmatch(text)
    if not match:
        raise ValueError(f"{text!r} is not a power: {HOW}")
    value_uw = _microwatts(match[1], match[2])
    if not 0 < value_uw <= MOST_UW:
        raise ValueError(f"{text!r} is not between 1 µW and {MOST_UW // 10**6:,} W")
    if match[3] is None:
        return Power(value_uw=value_uw)
    if match[4] == "%":
        accuracy_uw = int((Decimal(match[3]) * value_uw / 100).to_integral_value())
    else:
        accuracy_uw = _microwatts(match[3], match[4] or match[2])
    if accuracy_uw > value_uw:
        raise ValueError(f"{text!r}: the accuracy is larger than the power itself")
    return Power(value_uw=value_uw, accuracy_uw=accuracy_uw)


def parse_accuracy(text: str) -> Accuracy:
    """Read "±1%", "1%" or "±50mW".

    Raises:
        ValueError: anything else; the text says what is allowed.
    """
    match = _ALONE.fullmatch(text)
    if not match or (match[2] == "%" and Decimal(match[1]) > 100):
        raise ValueError(f"{text!r} is not an accuracy: write it like '±1%' or '±50mW'")
    if match[2] == "%":
        return Accuracy(share=float(Decimal(match[1]) / 100))
    return Accuracy(fixed_uw=_microwatts(match[1], match[2]))


def _microwatts(number: str, unit: str) -> int:
    return int((Decimal(number) * _UNITS[unit.lower()]).to_integral_value())
