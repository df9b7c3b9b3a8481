"""Today's agent with hosts of earlier versions, as they were recorded; and with one that is newer."""

from __future__ import annotations

import json
from typing import Any

import pytest

from edgereply_protocol import (
    Bye,
    Configure,
    Fault,
    Frame,
    Hello,
    Message,
    Ping,
    Stamps,
    Stop,
    Stopped,
    encode_frame,
    encode_message,
)
from tests.fakes.conversations import NAMES, Said, recorded
from tests.unit.agent.conftest import VirtualBoard

# Facts of the board and of the moment: another computer may have fewer.
FACTS = {"environment", "context"}


def lacking(then: Any, now: Any, where: str) -> list[str]:
    """What an earlier answer had and today's has not, or of another type."""
    if isinstance(then, dict) and isinstance(now, dict):
        return [
            line
            for key, value in then.items()
            if key not in FACTS
            for line in (lacking(value, now[key], f"{where}.{key}") if key in now else [f"{where}.{key}"])
        ]
    return [] if then is None or type(then) is type(now) else [f"{where}: {then!r} then, {now!r} now"]


def say(board: VirtualBoard, said: Said) -> None:
    """The recorded frame, but for the path of the wires."""
    payload = said.frame.payload
    if isinstance(said.message, Configure):
        payload = json.dumps(
            json.loads(payload), separators=(",", ":")
        ).replace("/run/demo/wires", str(board.wires.path)).encode()  # fmt: skip
    # Our own end of the link has to know what it said; the bytes are the old host's.
    board.agent.link.send(said.message)
    board.agent.write(encode_frame(Frame(said.frame.type, said.frame.sequence, payload)))


@pytest.mark.parametrize("name", NAMES)
def test_a_whole_run_for_an_old_host(board: VirtualBoard, name: str) -> None:
    """Each answer has at least what the agent of that time said."""
    told: list[tuple[Message, Message]] = []
    for said in recorded(name):
        if said.who == "host":
            if isinstance(said.message, Stop):
                for _ in range(5):
                    board.pulse()
            say(board, said)
        elif not isinstance(said.message, Stamps):
            told.append((said.message, board.agent.expect(type(said.message))))
        if isinstance(said.message, Configure):
            assert board.wires.wires
    assert board.agent.process.wait(10) == 0
    for then, now in told:
        assert lacking(json.loads(encode_message(then)), json.loads(encode_message(now)), type(then).__name__) == []
    (blocks, stopped) = ([m for m in board.agent.seen if isinstance(m, kind)] for kind in (Stamps, Stopped))
    assert sum(message.block.rows for message in blocks if isinstance(message, Stamps)) == 5
    assert [message.answered for message in stopped if isinstance(message, Stopped)] == [5]


@pytest.mark.parametrize(
    ("changes", "where"),
    [
        ({"novelty": 1}, "settings.novelty"),
        ({"realtime": {"policy": "deadline"}}, "settings.realtime.policy"),
        ({"load": {"gpu": 1}}, "settings.load.gpu"),
        ({"plan": {"burst": 2}}, "settings.plan.burst"),
        ({"lines": {"input": {"chip": "x", "line": 0, "debounce_us": 5}}}, "settings.lines.input.debounce_us"),
    ],
)
def test_a_setting_of_a_newer_host_is_refused_in_words(
    board: VirtualBoard, changes: dict[str, Any], where: str
) -> None:
    board.agent.greet()
    board.agent.send(Configure("respond", board.settings(**changes)))
    fault = board.agent.next()
    assert isinstance(fault, Fault)
    assert (fault.code, fault.where, fault.fatal) == ("bad-setting", where, False)
    assert "does not know the setting" in fault.what
    board.agent.configure("respond", board.settings())


def test_keys_that_a_newer_host_adds_to_messages_do_no_harm(board: VirtualBoard) -> None:
    link = board.agent.link
    messages: list[Message] = [link.hello(), Ping(7), Bye()]
    for sequence, message in enumerate(messages):
        payload = json.loads(encode_message(message)) | {"novelty": {"deep": [1, None]}}
        link.send(message)
        board.agent.write(encode_frame(Frame(message.TYPE, sequence, json.dumps(payload).encode())))
        if isinstance(message, Hello):
            board.agent.expect(Hello)
    assert board.agent.process.wait(10) == 0
    assert board.agent.errors() == ""


@pytest.mark.parametrize("unknown", ["version", "message"])
def test_a_host_that_is_too_new_is_told_which_end_to_update(board: VirtualBoard, unknown: str) -> None:
    if unknown == "version":
        hello = Hello("host", "edgereply 9.0", 7, 9)
        board.agent.write(encode_frame(Frame(Hello.TYPE, 0, encode_message(hello))))
    else:
        board.agent.greet()
        board.agent.write(encode_frame(Frame(77, 1, b"{}")))
    fault = board.agent.next()
    assert isinstance(fault, Fault)
    assert fault.fatal
    assert ("update the agent (edgereply-agent" if unknown == "version" else "the far end is newer") in fault.what
    assert "its own agent" in fault.remedy
    assert board.agent.process.wait(10) == 3
    assert "Traceback" not in board.agent.errors()
