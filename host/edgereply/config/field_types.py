"""Values of the bench file that people write as text with a unit, as fields that pydantic checks."""

from typing import Annotated

from pydantic import BeforeValidator

from edgereply.config.load import HOW, Load, parse_load
from edgereply.config.power import Power, parse_power
from edgereply.wording.units import parse_duration_ns, parse_rate_period_ns


def _duration(value: object) -> object:
    if isinstance(value, str):
        return parse_duration_ns(value)
    raise ValueError("write the time as text with its unit, such as '2ms'")


def _period(value: object) -> object:
    if isinstance(value, str):
        return parse_rate_period_ns(value)
    raise ValueError("write the rate as text, such as '200/s'")


def _power(value: object) -> object:
    if isinstance(value, str):
        return parse_power(value)
    raise ValueError("write the power as text with its unit, such as '3.1W±0.1'")


def _load(value: object) -> object:
    if isinstance(value, str):
        return parse_load(value)
    raise ValueError(f"the load is a text: {HOW}")


Duration = Annotated[int, BeforeValidator(_duration)]
Period = Annotated[int, BeforeValidator(_period)]
TypedLoad = Annotated[Load, BeforeValidator(_load)]
TypedPower = Annotated[Power, BeforeValidator(_power)]
