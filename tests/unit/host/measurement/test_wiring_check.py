"""By which route the wires are proved."""

from __future__ import annotations

from typing import Any

import pytest

from edgereply.board.client import BoardClient
from edgereply.config.settings import Board, Line
from edgereply.errors import BoardError
from edgereply.measurement.wiring_check import watching_route
from edgereply_protocol import Hello
from tests.fakes.board_link import FakeAgentLink

HAS, HAS_NOT = {"available": True, "why": ""}, {"available": False, "why": "the kernel is too old"}


def chosen(route: str, routes: object) -> str:
    client = BoardClient(FakeAgentLink())
    capabilities: dict[str, Any] = {"routes": routes}
    client.hello = Hello("agent", "", 1, 1, capabilities)
    lines = {"input": Line(line="EYE_IN"), "output": Line(line="REJECT_OUT")}
    return watching_route(client, Board.model_validate({"host": "gate", "route": route, **lines}))


@pytest.mark.parametrize("route", ["chardev", "gpiod"])
def test_a_route_that_stamps_edges_watches_by_itself(route: str) -> None:
    assert chosen(route, {}) == route


@pytest.mark.parametrize(
    ("routes", "watching"),
    [
        ({"chardev": HAS, "gpiod": HAS, "sysfs": HAS}, "chardev"),
        ({"chardev": HAS_NOT, "gpiod": HAS, "sysfs": HAS}, "gpiod"),
    ],
)
def test_sysfs_is_watched_by_another_route(routes: dict[str, Any], watching: str) -> None:
    assert chosen("sysfs", routes) == watching


@pytest.mark.parametrize("routes", [{"chardev": HAS_NOT, "sysfs": HAS}, {}, None, [], {"chardev": "yes"}])
def test_a_board_with_no_other_route_is_told_what_to_do(routes: object) -> None:
    with pytest.raises(BoardError, match="cannot be proved") as caught:
        chosen("sysfs", routes)
    assert "--no-wiring" in caught.value.remedy
