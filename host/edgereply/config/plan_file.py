"""The plan file of a sweep: what is varied, how often, for how long; checked once when read."""

from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, StrictBool, WithJsonSchema, model_validator

from edgereply.config.choices import RouteName
from edgereply.config.field_types import LOAD_TEXT, RATE_TEXT, TIME_TEXT
from edgereply.config.load import HOW, load_words, parse_load
from edgereply.config.settings import Strict
from edgereply.config.toml_file import read_toml
from edgereply.config.validation import checked
from edgereply.wording.units import parse_duration_ns, parse_rate_period_ns

MOST_BLOCKS = 10_000


def _rate(value: object) -> object:
    if not isinstance(value, str):
        raise ValueError("write the rate as text, such as '200/s'")
    parse_rate_period_ns(value)
    return value.strip()


def _load(value: object) -> object:
    if not isinstance(value, str):
        raise ValueError(f"the load is a text: {HOW}")
    return load_words(parse_load(value).model_dump())


def _time(value: object) -> object:
    if not isinstance(value, str):
        raise ValueError("write the time as text with its unit, such as '10s'")
    if parse_duration_ns(value) == 0:
        raise ValueError("a time above zero is needed, such as '10s'")
    return value.strip()


def _once(values: list[Any]) -> list[Any]:
    if any(value in values[:place] for place, value in enumerate(values)):
        raise ValueError("a value is there twice")
    return values


LoadText = Annotated[str, BeforeValidator(_load), WithJsonSchema(LOAD_TEXT)]
Rate = Annotated[str, BeforeValidator(_rate), WithJsonSchema(RATE_TEXT)]
Time = Annotated[str, BeforeValidator(_time), WithJsonSchema(TIME_TEXT)]
Priority = Literal["none"] | Annotated[int, Field(ge=1, le=99, strict=True)]
Cpu = Annotated[int, Field(ge=0, le=1023, strict=True)]
Cpus = Literal["any"] | Annotated[list[Cpu], Field(min_length=1), AfterValidator(_once)]


class Axes(Strict):
    """What is varied; every value of one axis meets every value of the others. An empty axis is left to the bench."""

    board: Annotated[list[str], AfterValidator(_once)] = Field(default_factory=list)
    route: Annotated[list[RouteName], AfterValidator(_once)] = Field(default_factory=list)
    wait: Annotated[list[Literal["block", "spin"]], AfterValidator(_once)] = Field(default_factory=list)
    responder: Annotated[list[Literal["agent", "floor"]], AfterValidator(_once)] = Field(default_factory=list)
    load: Annotated[list[LoadText], AfterValidator(_once)] = Field(default_factory=list)
    rate: Annotated[list[Rate], AfterValidator(_once)] = Field(default_factory=list)
    pattern: Annotated[list[Literal["periodic", "uniform", "exponential", "pairs"]], AfterValidator(_once)] = Field(
        default_factory=list
    )
    fifo_priority: Annotated[list[Priority], AfterValidator(_once)] = Field(default_factory=list)
    cpus: Annotated[list[Cpus], AfterValidator(_once)] = Field(default_factory=list)
    hold_cpu_latency: Annotated[list[StrictBool], AfterValidator(_once)] = Field(default_factory=list)

    def given(self) -> dict[str, list[Any]]:
        """The axes that have values, in the order above."""
        return {name: values for name in type(self).model_fields if (values := getattr(self, name))}


class SweepPlan(Strict):
    """A whole plan file.

    A block lasts `count` stimuli or `dwell`, the bench's own when neither is given. `warm_up` is measured before each
    block under the same condition and kept, but is in no figure. Boards that share neither source nor computer are
    measured at the same time unless `at_once` is false.
    """

    bench: str = Field(default="bench.toml", min_length=1, max_length=4096)
    title: str = Field(default="", max_length=200)
    repeats: int = Field(default=6, ge=1, le=1000)
    order_seed: int = Field(default=1, ge=0, le=2**32 - 1)
    count: int | None = Field(default=None, ge=1, le=2**32 - 1)
    dwell: Time | None = None
    warm_up: Time | None = None
    at_once: bool = True
    give_up_after: int = Field(default=3, ge=1, le=MOST_BLOCKS)
    axes: Axes = Axes()

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.count is not None and self.dwell is not None:
            raise ValueError("give 'count' or 'dwell', not both")
        blocks = self.repeats
        for values in self.axes.given().values():
            blocks *= len(values)
        if blocks > MOST_BLOCKS:
            raise ValueError(f"{blocks:,} blocks are too many: at most {MOST_BLOCKS:,}")
        return self


def parse_plan(data: dict[str, Any], where: str) -> SweepPlan:
    """Check the contents of a plan file.

    Raises:
        SettingError: each offending key with its value and what is allowed.
    """
    return checked(SweepPlan, data, "plan file", where)


def load_plan(path: Path) -> SweepPlan:
    """Read and check a plan file.

    Raises:
        SettingError: unreadable, not TOML (with line and column), or wrong.
    """
    return parse_plan(read_toml(path, "plan file", "check its path"), str(path))
