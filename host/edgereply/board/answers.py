"""What the far end may answer, checked when it arrives; the facts of the board by the models that run files have.

A board that answers something else is told in one sentence, and nothing of the answer is used.
"""

import re
from collections.abc import Sequence
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from edgereply.errors import BoardError
from edgereply.storage.board_facts import Counts, Environment, Facts, InEffect, Whole, Word, complaints
from edgereply_protocol import (
    MAX_ROWS,
    Configured,
    Hello,
    Inspection,
    Message,
    Probed,
    Progress,
    Stopped,
    Traced,
    TraceKind,
)
from edgereply_protocol.plain import unpack

OWN_AGENT = "let edgereply put its own agent there: name a plain Python as `python` of the board, or none"
_KINDS = frozenset(TraceKind)
_KEY = re.compile(r"[^\w .:*-]")


class BootAnswer(BaseModel):
    """An answer of `remote_boot`, of this very version: no more and no less."""

    model_config = ConfigDict(extra="forbid", strict=True)


class Needed(BootAnswer):
    """The agent's file is wanted."""

    need: Literal[True]


class Failed(BootAnswer):
    """No directory takes it; why, each."""

    failed: list[Word] = Field(max_length=64)


class Placed(BootAnswer):
    """It is there and runs; see `Installed`."""

    path: Word
    copied: bool
    passed_over: list[Word] = Field(max_length=64)
    python: Word
    version: Annotated[list[Annotated[int, Field(ge=0, lt=1000)]], Field(min_length=3, max_length=3)]


class Removed(BootAnswer):
    """Directories that are gone."""

    removed: list[Word] = Field(max_length=64)


Answer = TypeVar("Answer", bound=BootAnswer)


class Possible(Facts):
    """Whether a route or responder can be used."""

    available: bool
    why: Word | None = ""
    remedy: Word | None = ""


class Capabilities(Facts):
    """What an agent can be asked for."""

    routes: dict[Word, Possible] = Field(default={}, max_length=64)


class Line(Facts):
    """A line of a chip."""

    offset: Whole | None = None
    name: Word | None = None
    user: Word | None = None
    used: bool | None = None
    direction: Word | None = None
    bias: Word | None = None
    debounce_us: Whole | None = None
    edges: Word | None = None


class Chip(Facts):
    """A chip and its lines."""

    name: Word | None = None
    label: Word | None = None
    lines: Whole | None = None
    line_list: list[Line] = Field(default=[])


class Problem(Facts):
    """A chip that could not be read."""

    where: Word | None = None
    what: Word | None = None
    remedy: Word | None = None


class Report(Facts):
    """All an agent can find out about its board."""

    routes: dict[Word, Possible] = Field(default={}, max_length=64)
    responders: dict[Word, Possible] = Field(default={}, max_length=64)
    chips: list[Chip] = Field(default=[])
    problems: list[Problem] = Field(default=[])
    environment: Environment = Environment()


class TracedAnswer(Facts):
    """An answer whose events were kept."""

    edge_ns: Annotated[int, Field(ge=0, lt=2**62)]
    set_ns: Annotated[int, Field(ge=0, lt=2**62)]
    why: Literal["late", "usual"]
    rows: Annotated[int, Field(ge=0, le=MAX_ROWS)]
    whole: bool


class TracedAbout(Facts):
    """Whose events a block holds; `names` are what rows refer to."""

    pid: Annotated[int, Field(ge=0, lt=2**32)] = 0
    answers: list[TracedAnswer] = Field(max_length=MAX_ROWS)
    names: list[Annotated[str, StringConstraints(max_length=256)]] = Field(max_length=MAX_ROWS)


class Meanwhile(Facts):
    """What comes beside the counts of a progress report."""

    reading: Counts | None = None


def boot_answer(line: bytes, kinds: Sequence[type[Answer]]) -> Answer:
    """An answer of `remote_boot`.

    Args:
        line: JSON.
        kinds: what it may be; told apart by the first key.

    Raises:
        ValueError: it is something else; the text says what is wrong.
    """
    found = unpack(line)
    if not isinstance(found, dict):
        raise ValueError("it is no JSON object")
    for kind in kinds:
        if next(iter(kind.model_fields)) in found:
            if wrong := complaints(kind, found):
                raise ValueError("; ".join(wrong))
            return kind.model_validate(found)
    raise ValueError("it is none of those that can be")


def expect_sound(message: Message, where: str) -> None:
    """Refuse a message of an agent that holds what none says.

    Raises:
        BoardError: names the first keys that are wrong.
    """
    for what, model, value in _parts(message):
        if value and (wrong := complaints(model, value)):
            # The place of what is wrong is made of the board's own words.
            said = "; ".join(_KEY.sub("?", line[:160]) for line in wrong)
            raise BoardError(f"the board's {what} is not what an agent says: {said}", where=where, remedy=OWN_AGENT)
    if isinstance(message, Traced) and (said := _untraceable(message)):
        raise BoardError(f"the board's trace is not what an agent says: {said}", where=where, remedy=OWN_AGENT)
    if isinstance(message, Stopped | Progress) and min(message.answered, message.lost, message.unrecorded) < 0:
        raise BoardError("the board counts below nothing", where=where, remedy=OWN_AGENT)
    if isinstance(message, Probed) and not set(message.levels.values()) <= {0, 1}:
        raise BoardError("the board reads levels that are neither 0 nor 1", where=where, remedy=OWN_AGENT)


def _parts(message: Message) -> list[tuple[str, type[BaseModel], Any]]:
    if isinstance(message, Hello):
        return [("greeting", Capabilities, message.capabilities), ("environment", Environment, message.environment)]
    if isinstance(message, Inspection):
        return [("inspection", Report, message.report)]
    if isinstance(message, Configured):
        return [("settings in effect", InEffect, message.in_effect)]
    if isinstance(message, Progress):
        return [("progress report", Meanwhile, message.context)]
    if isinstance(message, Stopped):
        return [("environment", Environment, message.environment)]
    if isinstance(message, Traced):
        return [("trace", TracedAbout, message.about)]
    return []


def _untraceable(message: Traced) -> str:
    """What does not fit together in a trace; "" where all does."""
    about, columns = message.about, message.block.columns
    if not about:
        return "it says nothing of itself"
    if sum(answer["rows"] for answer in about["answers"]) != message.block.rows:
        return f"its answers do not have {message.block.rows} rows together"
    if any(number >= len(about["names"]) for name in ("name", "before_name") for number in columns[name]):
        return "a row has a name that is not there"
    if any(at_ns <= -(2**62) or at_ns >= 2**62 for at_ns in columns["at_ns"]):
        return "a row has a time that no clock shows"
    if any(kind not in _KINDS for kind in columns["kind"]):
        return "a row is of a kind that is not known"
    return ""
