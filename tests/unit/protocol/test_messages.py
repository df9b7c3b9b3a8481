import json
from dataclasses import fields
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.unit.protocol.helpers import EVENTS, SAMPLES, TRACE

from edgereply_protocol import (
    MESSAGES,
    Bye,
    Configure,
    Configured,
    Fault,
    Hello,
    LocalError,
    Message,
    Ping,
    Probe,
    Probed,
    Progress,
    RemoteError,
    Stamps,
    Started,
    Traced,
    decode_message,
    encode_block,
    encode_message,
)

WRONG: dict[str, list[Any]] = {
    "int": ["1", 1.0, True, None, [], 2**63, -(2**63) - 1],
    "str": [1, None, [], {}],
    "bool": [0, 1, "true", None],
    "Json": [[], "x", None, 0],
    "list[str]": ["x", {}, [1], ["a", None]],
    "dict[str, int]": [[], {"a": "1"}, {"a": True}, {"a": 1.0}, {"a": None}],
}
CASES = [
    pytest.param(message, item.name, value, id=f"{name}-{item.name}-{value!r:.12}")
    for name, message in SAMPLES.items()
    if not isinstance(message, Stamps | Traced)
    for item in fields(message)
    for value in WRONG[str(item.type)]
]


NAMES = [
    "Hello", "Inspect", "Inspection", "Configure", "Configured", "Start", "Started", "Stamps", "Progress", "Stop",
    "Stopped", "Fault", "Ping", "Pong", "Probe", "Probed", "Bye", "Traced",
]  # fmt: skip


def test_type_numbers_are_those_of_their_versions() -> None:
    assert {number: kind.__name__ for number, kind in MESSAGES.items()} == dict(enumerate(NAMES, start=1))


@pytest.mark.parametrize("message", SAMPLES.values(), ids=SAMPLES)
def test_round_trip(message: Message) -> None:
    assert decode_message(message.TYPE, encode_message(message)) == message


@pytest.mark.parametrize(("message", "name", "value"), CASES)
def test_mistyped_fields_are_refused_at_both_ends(message: Message, name: str, value: Any) -> None:
    values = {item.name: getattr(message, item.name) for item in fields(message)} | {name: value}
    with pytest.raises(LocalError, match=rf"{type(message).__name__}\.{name}"):
        encode_message(type(message)(**values))
    with pytest.raises(RemoteError, match=rf"{type(message).__name__}\.{name}|does not fit in 64 bits"):
        decode_message(message.TYPE, json.dumps(values).encode())


@pytest.mark.parametrize("about", WRONG["Json"])
def test_what_a_trace_is_about_is_an_object(about: Any) -> None:
    with pytest.raises(LocalError, match=r"Traced\.about must be Json"):
        encode_message(Traced(about, TRACE))


@pytest.mark.parametrize(
    ("kind", "payload", "wanted"),
    [
        (Hello, b'{"role":"agent","software":"a","oldest":1,"newest":1}', Hello("agent", "a", 1, 1)),
        (Configured, b'{"in_effect":{}}', Configured({})),
        (Progress, b'{"answered":1,"lost":0,"unrecorded":0,"board_ns":5}', Progress(1, 0, 0, 5)),
        (Fault, b'{"code":"internal","what":"x"}', Fault("internal", "x", "", "", False)),
        (Probe, b"{}", Probe({}, [])),
        (Bye, b'{"reason":"a key of a later version","TYPE":3}', Bye()),
        (Ping, b'{"token":1,"later":{"a":[]}}', Ping(1)),
    ],
)
def test_missing_optional_and_unknown_keys(kind: type[Message], payload: bytes, wanted: Message) -> None:
    assert decode_message(kind.TYPE, payload) == wanted


@pytest.mark.parametrize(
    ("kind", "payload", "text"),
    [
        (Hello, b'{"role":"agent","software":"a","oldest":1}', "Hello lacks a field.*newest"),
        (Started, b"{}", "Started lacks a field.*board_ns"),
        (Probed, b"[]", "not a JSON object"),
        (Ping, b"7", "not a JSON object"),
        (Ping, b"null", "not a JSON object"),
        (Ping, b"", "not the JSON it should be"),
        (Ping, b'{"token":1}x', "not the JSON it should be"),
        (Ping, b'{"token":1,"token":2}', "given twice"),
        (Ping, b'{"token":' + b"9" * 5000 + b"}", "not the JSON it should be"),
        (Ping, b'{"token":9223372036854775808}', "64 bits"),
        (Configure, b'{"task":"respond","settings":{"hold_ns":NaN}}', "not finite"),
        (Configure, b'{"task":"respond","settings":' + b"[" * 100_000 + b"]" * 100_000 + b"}", "nested deeper"),
        (Stamps, b"", "shorter than its head"),
        (Traced, b"", "shorter than it says"),
        (Traced, b"\xff\0\0\0{}", "shorter than it says"),
        (Traced, b"\x02\0\0\0[]", "not a JSON object"),
        (Traced, b"\x02\0\0\0{}", "shorter than its head"),
        (Traced, b"\x02\0\0\0{}" + encode_block(EVENTS), "EVENTS came with the wrong message"),
        (Stamps, encode_block(TRACE), "TRACE came with the wrong message"),
    ],
)
def test_bad_payloads_are_the_peers_fault(kind: type[Message], payload: bytes, text: str) -> None:
    with pytest.raises(RemoteError, match=text):
        decode_message(kind.TYPE, payload)


@pytest.mark.parametrize("number", [0, 19, 255])
def test_unknown_types_are_the_peers_fault(number: int) -> None:
    with pytest.raises(RemoteError, match=f"unknown message type {number}"):
        decode_message(number, b"{}")


@pytest.mark.parametrize(
    "message",
    [
        Configure("respond", {"when": object()}),
        Configure("respond", {"gain": float("nan")}),
        Configure("respond", {"deep": json.loads("[" * 50 + "]" * 50)}),
        Hello("agent", "a", 1, 1, {}, {"model": "\udcff"}),
        Traced({"names": [float("inf")]}, TRACE),
    ],
    ids=["object", "nan", "deep", "surrogate", "names"],
)
def test_what_the_peer_would_refuse_is_not_sent(message: Message) -> None:
    with pytest.raises(LocalError, match="cannot be put into JSON"):
        encode_message(message)


PAYLOADS = st.dictionaries(
    st.sampled_from(sorted({item.name for kind in MESSAGES.values() for item in fields(kind)})),
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
        max_leaves=5,
    ),
).map(lambda value: json.dumps(value).encode())


@given(st.integers(0, 255) | st.sampled_from(sorted(MESSAGES)), st.binary() | PAYLOADS)
@settings(max_examples=500)
def test_random_payloads_raise_nothing_but_remote_error(number: int, payload: bytes) -> None:
    try:
        message = decode_message(number, payload)
    except RemoteError:
        return
    assert decode_message(number, encode_message(message)) == message
