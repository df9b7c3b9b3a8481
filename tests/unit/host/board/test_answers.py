"""What a board answers, with one thing wrong: refused in one sentence with exit code 3, or read without harm."""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Iterator
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest

from edgereply.board import client as client_module
from edgereply.board.answers import BootAnswer, Needed, Placed, boot_answer, expect_sound
from edgereply.board.client import BoardClient
from edgereply.board.mirrored import not_understood
from edgereply.cli.deploy import possible_lines
from edgereply.cli.inspect_board import describe
from edgereply.comparison.conditions import respects
from edgereply.comparison.contrasts import AXES, had_effect
from edgereply.errors import BoardError, HostError, LinkError
from edgereply.evaluation.board_activity import activity
from edgereply.evaluation.board_context import context_notes, context_of, pooled
from edgereply.evaluation.cautions import cautions
from edgereply.sources.board import BoardSource
from edgereply.storage.board_facts import Environment, complaints
from edgereply.storage.run_record import RunRecord
from edgereply_agent.environment import facts
from edgereply_agent.inspection import capabilities, inspect_board
from edgereply_protocol import (
    Configure,
    Configured,
    Hello,
    Inspect,
    Inspection,
    Message,
    Ping,
    Pong,
    Probed,
    Progress,
    RemoteError,
    Stopped,
)
from edgereply_protocol.framing import Frame, encode_frame
from edgereply_protocol.messages import decode_message
from tests.fakes.board_link import FakeAgentLink
from tests.fakes.conversations import NAMES, recorded
from tests.fakes.mutated_json import mutated

GOLDEN = Path(__file__).parents[3] / "reference_data/runs/format-1-load/run.json"
MUTATIONS = 1500


def golden() -> dict[str, Any]:
    found = json.loads(GOLDEN.read_text("utf-8"))
    assert isinstance(found, dict)
    return found


def said_by_agents() -> Iterator[Message]:
    """Everything that agents say of their boards: this one's own words, and those of earlier versions."""
    yield Hello("agent", "agent", 1, 1, capabilities(), facts())
    report = inspect_board()
    line = {"offset": 0, "name": "EYE_IN", "user": "", "used": False, "direction": "input", "bias": "as-is"}
    chip = {"path": "/dev/gpiochip0", "name": "gpiochip0", "label": "sim", "lines": 1, "line_list": [line]}
    problem = {"code": "no-chip", "what": "no", "where": "/dev/gpiochip1", "remedy": "look"}
    yield Inspection({**report, "chips": [chip], "problems": [problem]})
    for name in NAMES:
        yield from (said.message for said in recorded(name) if isinstance(said.message, Hello | Configured | Stopped))
    run = golden()
    plan = {"pattern": "periodic", "period_ns": 1000, "count": 3, "width_ns": 100}
    floor = {"version": "cc 1", "options": ["-O2"], "sha256": "0" * 64}
    yield Configured({**run["in_effect"], "load": {"cpu": 2}, "plan": plan, "floor": floor})
    yield Stopped(60, 0, 0, "asked to", run["environment_after"])
    yield Progress(1, 0, 0, 1, {"reading": run["environment_after"]["during"]["reading"]})
    yield Probed({"input": 1})


def used(message: Message) -> None:
    """Everything the host makes of an answer."""
    if isinstance(message, Hello):
        possible_lines(message)
        link = FakeAgentLink()
        client = BoardClient(link)
        client.hello = message
        BoardSource(client, "board", {"lines": {}})
    elif isinstance(message, Inspection):
        describe(message.report)
    elif isinstance(message, Configured):
        not_understood("respond", {"load": None}, message.in_effect)
        dict(message.in_effect.get("plan", {}).items())
        record(in_effect=message.in_effect)
    elif isinstance(message, Stopped):
        during = message.environment.get("during", {}).get("reading", {})
        context = context_of([during], during)
        context_notes(pooled([context, context]))
        made = activity(message.environment, [during], True)
        record(
            environment_after=message.environment, environment_before=message.environment, context=context,
            activity={} if made is None else made.as_dict(),
        )  # fmt: skip


def record(**parts: Any) -> None:
    """A run with what was said in its record, and what is read out of it."""
    made = RunRecord.model_validate(golden() | parts)
    respects(made, "joined", 1)
    cautions(made, {})
    for axis in AXES:
        had_effect(made, axis)


@pytest.mark.parametrize("message", [*said_by_agents()], ids=lambda message: type(message).__name__)
def test_what_agents_say_is_sound_and_used(message: Message) -> None:
    expect_sound(message, "board")
    used(message)


def test_one_thing_wrong_is_refused_or_does_no_harm() -> None:
    rng = random.Random(22)
    messages = list(said_by_agents())
    refused, clear = 0, True
    for number in range(MUTATIONS):
        message = messages[number % len(messages)]
        document = mutated({item.name: getattr(message, item.name) for item in fields(message)}, rng)
        try:
            heard = decode_message(message.TYPE, json.dumps(document).encode())
            expect_sound(heard, "board")
        except RemoteError:
            refused += 1
            continue
        except BoardError as error:
            refused += 1
            clear = clear and error.exit_code == 3 and error.message.isprintable() and len(error.message) < 500
            continue
        used(heard)
    assert clear
    assert MUTATIONS // 10 < refused < MUTATIONS * 9 // 10


Change = Callable[[dict[str, Any]], object]
CHANGES: dict[str, tuple[type[Message], Change]] = {
    "routes are a list": (Hello, lambda d: d["capabilities"].update(routes=[])),
    "a route is a word": (Hello, lambda d: d["capabilities"]["routes"].update(chardev="yes")),
    "a route without a verdict": (Hello, lambda d: d["capabilities"]["routes"].update(chardev={})),
    "as many processors as none": (Hello, lambda d: d["environment"].update(cpu_count=0)),
    "frequency in words": (Hello, lambda d: d["environment"].update(frequency_khz={"policy0": "fast"})),
    "chips are a number": (Inspection, lambda d: d["report"].update(chips=7)),
    "lines of a chip are words": (Inspection, lambda d: d["report"]["chips"][0].update(line_list=["x"])),
    "real time is a list": (Configured, lambda d: d["in_effect"].update(realtime=[1])),
    "load in words": (Configured, lambda d: d["in_effect"].update(load={"cpu": "two"})),
    "counters in words": (Stopped, lambda d: d["environment"].update(during={"cpu_ticks": {"idle": "x"}})),
    "a reading in fractions": (Progress, lambda d: d["context"].update(reading={"gauge x": 0.5})),
    "fewer than no answers": (Stopped, lambda d: d.update(answered=-1)),
    "a level of two": (Probed, lambda d: d["levels"].update(input=2)),
}


@pytest.mark.parametrize("name", CHANGES)
def test_each_kind_of_wrong_answer_is_one_clear_sentence(name: str) -> None:
    kind, change = CHANGES[name]
    message = [item for item in said_by_agents() if isinstance(item, kind)][-1 if kind is not Hello else 0]
    document = json.loads(json.dumps({item.name: getattr(message, item.name) for item in fields(message)}))
    change(document)
    with pytest.raises(BoardError, match=r"^board: the board") as raised:
        expect_sound(decode_message(kind.TYPE, json.dumps(document).encode()), "board")
    assert raised.value.exit_code == 3
    assert "its own agent" in raised.value.remedy


@pytest.mark.parametrize(
    "json_text",
    ["[" * 40 + "]" * 40, "[" * 100_000, '{"report": NaN}', '{"report": 1e999}', '{"report": {"a": 1, "a": 2}}',
     '{"report": {"n": 123456789012345678901234567890}}', '{"report": [1]}', "{}", '"x"', "{", '{"report": "\\ud800"}'],
    ids=range(11),
)  # fmt: skip
def test_what_is_no_json_of_ours_is_a_link_error(json_text: str) -> None:
    link = FakeAgentLink(reactions={Inspect: lambda _: None})
    client = BoardClient(link)
    client.greet(1.0)
    link.inject(encode_frame(Frame(Inspection.TYPE, 1, json_text.encode())))
    with pytest.raises(LinkError) as raised:
        client.inspect()
    assert raised.value.exit_code == 3


def test_wrong_answers_reach_nobody() -> None:
    link = FakeAgentLink(reactions={Inspect: lambda _: [Inspection({"routes": [1]})]})
    client = BoardClient(link)
    client.greet(1.0)
    with pytest.raises(BoardError, match="inspection is not what an agent says: routes"):
        client.inspect()


@pytest.mark.parametrize("answer", [{}, {"path": 1}, {"need": False}, {"need": True, "x": 1}, [], "x"])
def test_a_boot_answer_is_one_of_those_that_can_be(answer: object) -> None:
    kinds: list[type[BootAnswer]] = [Needed, Placed]
    with pytest.raises(ValueError, match=r"."):
        boot_answer(json.dumps(answer).encode(), kinds)
    assert boot_answer(b'{"need": true}', kinds) == Needed(need=True)


def test_pongs_are_no_answer_and_are_not_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(client_module, "REPLY_S", 0.2)
    link = FakeAgentLink(reactions={Configure: lambda _: [Pong(1, 1, 1)] * 20_000})
    client = BoardClient(link)
    client.greet(1.0)
    with pytest.raises(LinkError, match="no configured from the board"):
        client.configure("respond", {})
    assert not client._inbox


def test_what_nobody_asked_for_is_kept_up_to_a_bound() -> None:
    link = FakeAgentLink(reactions={Ping: lambda _: [Progress(1, 0, 0, 1)] * (client_module.MOST_UNASKED + 1)})
    client = BoardClient(link)
    client.greet(1.0)
    client.configure("respond", {})
    client.start()
    with pytest.raises(LinkError, match="10,001 messages and no pong"):
        client.ping()


def test_the_key_that_is_wrong_cannot_act_on_a_terminal() -> None:
    with pytest.raises(BoardError) as raised:
        expect_sound(Inspection({"routes": {"\x1b[2J\x9b": 1}}), "board")
    assert raised.value.message.isprintable()


def test_an_environment_of_an_agent_without_any_is_sound() -> None:
    assert complaints(Environment, {}) == []
    with pytest.raises(HostError):
        expect_sound(Hello("agent", "x", 1, 1, {}, {"kernel": 5}), "board")
