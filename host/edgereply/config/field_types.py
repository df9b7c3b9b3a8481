"""Values of the bench file that people write as text with a unit, as fields that pydantic checks."""

from typing import Annotated, Any

from pydantic import BeforeValidator, WithJsonSchema

from edgereply.config.load import HOW, Load, parse_load
from edgereply.config.power import Power, parse_power
from edgereply.wording.units import parse_duration_ns, parse_rate_period_ns

# The same as text, for editors; units are read whatever their case.
TIME_TEXT: dict[str, Any] = {
    "type": "string",
    "pattern": r"^\s*(\d+\.?\d*|\.\d+)\s*([nNuUµμmM]?[sS]|[mM][iI][nN]|[hH])\s*$",
    "examples": ["2ms"],
}
RATE_TEXT: dict[str, Any] = {
    "type": "string",
    "pattern": r"^\s*(\d+\.?\d*|\.\d+)\s*(/[sS]|[kK]?[hH][zZ])\s*$",
    "examples": ["200/s"],
}
LOAD_TEXT: dict[str, Any] = {"type": "string", "examples": ["cpu=2, memory=64M", "none"]}
POWER_TEXT: dict[str, Any] = {"type": "string", "examples": ["3.1W±0.1"]}


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


Duration = Annotated[int, BeforeValidator(_duration), WithJsonSchema(TIME_TEXT)]
Period = Annotated[int, BeforeValidator(_period), WithJsonSchema(RATE_TEXT)]
TypedLoad = Annotated[Load, BeforeValidator(_load), WithJsonSchema(LOAD_TEXT)]
TypedPower = Annotated[Power, BeforeValidator(_power), WithJsonSchema(POWER_TEXT)]
