"""Bounds and refusals of the agent that nothing else looks at: each by its number or its words."""

from __future__ import annotations

import errno
from types import SimpleNamespace
from typing import Any

import pytest

from edgereply_agent import session as session_module
from edgereply_agent.errors import AgentError, RouteError
from edgereply_agent.routes import registry
from edgereply_agent.routes.chardev import _level
from edgereply_agent.session import Session
from edgereply_agent.settings import LineSpec
from edgereply_agent.tasks import make
from edgereply_protocol import Progress
from edgereply_protocol.plain import pack

LINES = {"input": {"line": "IN"}, "output": {"line": "OUT"}}


def test_progress_is_told_once_a_second(monkeypatch: pytest.MonkeyPatch) -> None:
    """Virtual time: 10 s in steps of 50 ms, as a session turns while a task runs."""
    now_s = 100.0
    said: list[object] = []
    monkeypatch.setattr(session_module, "time", SimpleNamespace(monotonic=lambda: now_s))
    task: Any = SimpleNamespace(
        ended=False, running=True, reports=True, next_block=lambda: None, next_trace=lambda: None,
        counts=lambda: (1, 0, 0), context=dict,
    )  # fmt: skip
    session = Session.__new__(Session)
    session.__dict__.update(_wire=SimpleNamespace(pending=0), _send=said.append, _progress_at=101.0)
    for _ in range(200):
        now_s += 0.05
        session._pump(task)
    assert len(said) == 10 or len(said) == 9  # the sum of so many steps may fall just short
    assert all(isinstance(message, Progress) for message in said)
    task.reports = False
    now_s += 5.0
    session._pump(task)
    assert len(said) <= 10


@pytest.mark.parametrize(("hold_ns", "fits"), [(1_000_000_000, True), (1_000_000_001, False), (-1, False)])
def test_an_output_is_held_for_a_second_at_most(monkeypatch: pytest.MonkeyPatch, hold_ns: int, fits: bool) -> None:
    """Where the hold fits, the route is asked for next, and there is none here."""
    monkeypatch.setattr(registry, "load", lambda name: (_ for _ in ()).throw(RouteError("no-route", "asked for", name)))
    with pytest.raises(AgentError) as refused:
        make("respond", {"route": "chardev", "lines": LINES, "hold_ns": hold_ns}, ())
    assert (refused.value.code == "no-route") is fits
    assert fits or "hold_ns" in refused.value.where


def test_a_route_without_stamps_captures_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    route = SimpleNamespace(name="blind", stamps_edges=False, counts_lost=False, close=lambda: None)
    monkeypatch.setattr(registry, "load", lambda name: route)
    plan = {"pattern": "periodic", "period_ns": 3_000_000, "width_ns": 100_000, "count": 20, "seed": 9}
    lines = {"stimulus": {"line": "A"}, "capture": {"line": "B"}}
    with pytest.raises(AgentError, match="the route blind has no stamps to capture with") as refused:
        make("stimulate", {"route": "chardev", "lines": lines, "plan": plan}, ())
    assert refused.value.remedy == "use chardev"


@pytest.mark.parametrize("number", [errno.ENODEV, errno.EIO])
def test_a_line_that_is_lost_has_no_level(number: int) -> None:
    def gone(_fd: int, _request: int, _values: bytearray) -> None:
        raise OSError(number, "gone")

    with pytest.raises(RouteError) as lost:
        _level(gone, 3, LineSpec("input", "", "IN", False, "as-is"))
    assert lost.value.code == "lost-line"


@pytest.mark.parametrize("value", [b"bytes", {1, 2}, object(), {"deep": [{"in": (1, {2})}]}, {1: {2}}, float, ...])
def test_what_has_no_json_form_is_refused_before_sending(value: object) -> None:
    with pytest.raises(ValueError, match=r"JSON|names are text|serializable"):
        pack(value)
