"""Everything host and agent can say: small frozen records, as JSON on the wire, checked at both ends.

`Stamps` is binary, and `Traced` after its JSON. Unknown JSON keys are ignored, so that a newer peer may add some;
missing or mistyped ones are the peer's fault.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field, fields
from typing import Any, ClassVar, Union

from .blocks import Block, Layout, decode_block, encode_block
from .errors import LocalError, RemoteError, VersionMismatch
from .plain import pack, unpack

Json = dict[str, Any]


@dataclass(frozen=True)
class Hello:
    """First frame of each side: who speaks, which versions, what it can do, what it runs on."""

    TYPE: ClassVar[int] = 1
    role: str
    software: str
    oldest: int
    newest: int
    capabilities: Json = field(default_factory=dict)
    environment: Json = field(default_factory=dict)


@dataclass(frozen=True)
class Inspect:
    """Host asks for all that can be known of the board."""

    TYPE: ClassVar[int] = 2


@dataclass(frozen=True)
class Inspection:
    """The agent's answer to `Inspect`."""

    TYPE: ClassVar[int] = 3
    report: Json


@dataclass(frozen=True)
class Configure:
    """Host sets up a task ("respond", "stimulate", "observe" or "probe"); `settings` as in DEVELOPERS.md."""

    TYPE: ClassVar[int] = 4
    task: str
    settings: Json


@dataclass(frozen=True)
class Configured:
    """The task is ready; what took effect, and what could not be had."""

    TYPE: ClassVar[int] = 5
    in_effect: Json
    warnings: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Start:
    """Host starts the configured task."""

    TYPE: ClassVar[int] = 6


@dataclass(frozen=True)
class Started:
    """The responder is waiting for edges; `board_ns` is the board's clock then."""

    TYPE: ClassVar[int] = 7
    board_ns: int


@dataclass(frozen=True)
class Stamps:
    """A block of stamps (packed columns)."""

    TYPE: ClassVar[int] = 8
    block: Block


@dataclass(frozen=True)
class Progress:
    """Counts so far: edges answered, edges lost by sequence number, answers given but not recorded."""

    TYPE: ClassVar[int] = 9
    answered: int
    lost: int
    unrecorded: int
    board_ns: int
    context: Json = field(default_factory=dict)


@dataclass(frozen=True)
class Stop:
    """Host ends the task."""

    TYPE: ClassVar[int] = 10


@dataclass(frozen=True)
class Stopped:
    """The task is over, outputs are low, all its stamps were sent before this."""

    TYPE: ClassVar[int] = 11
    answered: int
    lost: int
    unrecorded: int
    reason: str
    environment: Json = field(default_factory=dict)


@dataclass(frozen=True)
class Fault:
    """Something failed on the board: `code` (see DEVELOPERS.md), what, where, what to do about it."""

    TYPE: ClassVar[int] = 12
    code: str
    what: str
    where: str = ""
    remedy: str = ""
    fatal: bool = False


@dataclass(frozen=True)
class Ping:
    """Sign of life; the agent ends a task when none came for its dead-man's time."""

    TYPE: ClassVar[int] = 13
    token: int


@dataclass(frozen=True)
class Pong:
    """Answer to `Ping` with the board's clock at reception and at sending (RFC 5905: T2 and T3)."""

    TYPE: ClassVar[int] = 14
    token: int
    received_ns: int
    sent_ns: int


@dataclass(frozen=True)
class Probe:
    """Set output lines (name → 0 or 1) and then read lines (names) of a configured "probe" task."""

    TYPE: ClassVar[int] = 15
    levels: dict[str, int] = field(default_factory=dict)
    read: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Probed:
    """Levels read (name → 0 or 1)."""

    TYPE: ClassVar[int] = 16
    levels: dict[str, int]


@dataclass(frozen=True)
class Traced:
    """Events of the board's kernel beside some answers: `about` says whose they are, `block` holds them all.

    `about`: `answers`, a list of objects in the order of the rows, each with `edge_ns`, `set_ns`, `why` ("late", or
    "usual" for one kept to compare with), `rows` (how many of the block's are its own) and `whole` (no event between
    them was lost); `names`, a list of words that rows refer to. Sent only when `trace` was asked for.
    """

    TYPE: ClassVar[int] = 18
    about: Json
    block: Block


@dataclass(frozen=True)
class Bye:
    """No more frames from this side."""

    TYPE: ClassVar[int] = 17


Message = Union[
    Hello, Inspect, Inspection, Configure, Configured, Start, Started, Stamps, Progress, Stop, Stopped, Fault, Ping,
    Pong, Probe, Probed, Bye, Traced,
]  # fmt: skip

MESSAGES: dict[int, type[Message]] = {
    kind.TYPE: kind
    for kind in (
        Hello, Inspect, Inspection, Configure, Configured, Start, Started, Stamps, Progress, Stop, Stopped, Fault, Ping,
        Pong, Probe, Probed, Bye, Traced,
    )
}  # fmt: skip

_ABOUT = struct.Struct("<I")
_PLAIN = {"int": int, "str": str, "bool": bool, "Json": dict, "list[str]": list, "dict[str, int]": dict}


def encode_message(message: Message) -> bytes:
    """Payload of a message.

    Raises:
        LocalError: a field has the wrong type, holds what `plain` does not allow, or a block does not fit its layout.
    """
    if isinstance(message, Stamps):
        return encode_block(message.block)
    if isinstance(message, Traced):
        if problem := _problem(Traced, {"about": message.about}):
            raise LocalError(problem)
        about = _packed(message, message.about)
        return _ABOUT.pack(len(about)) + about + encode_block(message.block)
    values = {item.name: getattr(message, item.name) for item in fields(message)}
    problem = _problem(type(message), values)
    if problem:
        raise LocalError(problem)
    return _packed(message, values)


def _packed(message: Message, values: Json) -> bytes:
    try:
        return pack(values)
    except ValueError as error:
        raise LocalError(f"{type(message).__name__} cannot be put into JSON: {error}") from error


def decode_message(kind: int, payload: bytes) -> Message:
    """Message of a payload.

    Raises:
        RemoteError: not JSON, or fields missing or of the wrong type.
        VersionMismatch: a type that this version does not have.
    """
    cls = MESSAGES.get(kind)
    if cls is None:
        raise VersionMismatch(f"unknown message type {kind}: the far end is newer than this one", peer_is_older=False)
    if cls is Stamps:
        return Stamps(_block(payload, traced=False))
    if cls is Traced:
        return _traced(payload)
    try:
        return cls(**_unpacked(cls, payload))
    except TypeError as error:
        raise RemoteError(f"{cls.__name__} lacks a field: {error}") from error


def _traced(payload: bytes) -> Traced:
    (size,) = _ABOUT.unpack_from(payload) if len(payload) >= _ABOUT.size else (0,)
    about, rest = payload[_ABOUT.size : _ABOUT.size + size], payload[_ABOUT.size + size :]
    if not size or len(about) != size:
        raise RemoteError(f"a trace of {len(payload)} bytes is shorter than it says")
    return Traced(_object(Traced, about), _block(rest, traced=True))


def _block(payload: bytes, traced: bool) -> Block:
    block = decode_block(payload)
    if (block.layout is Layout.TRACE) is not traced:
        raise RemoteError(f"a block of {block.layout.name} came with the wrong message")
    return block


def _object(cls: type[Message], payload: bytes) -> Json:
    try:
        values = unpack(payload)
    except ValueError as error:
        raise RemoteError(f"{cls.__name__} is not the JSON it should be: {error}") from error
    if not isinstance(values, dict):
        raise RemoteError(f"{cls.__name__} is not a JSON object")
    return values


def _unpacked(cls: type[Message], payload: bytes) -> Json:
    values = _object(cls, payload)
    known = {item.name for item in fields(cls)}
    values = {name: value for name, value in values.items() if name in known}
    problem = _problem(cls, values)
    if problem:
        raise RemoteError(problem)
    return values


def _problem(cls: type[Message], values: Json) -> str:
    for item in fields(cls):
        if item.name not in values:
            continue
        value, wanted = values[item.name], str(item.type)
        right = isinstance(value, _PLAIN[wanted]) and not (wanted == "int" and isinstance(value, bool))
        if right and wanted == "int" and not -(2**63) <= value < 2**63:
            return f"{cls.__name__}.{item.name} must fit in 64 bits"
        if right and wanted == "list[str]":
            right = all(isinstance(entry, str) for entry in value)
        if right and wanted == "dict[str, int]":
            right = all(isinstance(key, str) and type(entry) is int for key, entry in value.items())
        if not right:
            return f"{cls.__name__}.{item.name} must be {wanted}, not {type(value).__name__}"
    return ""
