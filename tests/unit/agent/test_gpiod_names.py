"""The real gpiod package, which the tests install, has what the route uses."""

from __future__ import annotations

import importlib
import inspect
from typing import Any

import pytest

from edgereply_agent.errors import RouteError
from edgereply_agent.routes.gpiod_route import BIAS, EDGE, GpiodRoute


def test_names_exist() -> None:
    gpiod: Any = importlib.import_module("gpiod")
    GpiodRoute()
    assert all(hasattr(gpiod.line.Bias, name) for name in BIAS.values())
    assert all(hasattr(gpiod.line.Edge, name) for name in EDGE.values())
    assert gpiod.EdgeEvent.Type.RISING_EDGE is not gpiod.EdgeEvent.Type.FALLING_EDGE
    settings = gpiod.LineSettings(
        direction=gpiod.line.Direction.OUTPUT, output_value=gpiod.line.Value.INACTIVE, active_low=True,
        bias=gpiod.line.Bias.AS_IS, edge_detection=gpiod.line.Edge.NONE,
    )  # fmt: skip
    assert settings.active_low
    assert {"config", "consumer", "event_buffer_size"} <= set(inspect.signature(gpiod.request_lines).parameters)
    assert all(hasattr(gpiod.LineRequest, name) for name in ("fd", "set_values", "get_value", "release"))
    inspect.signature(gpiod.LineRequest.read_edge_events).bind(None, 1)
    inspect.signature(gpiod.LineRequest.set_values).bind(None, {1: gpiod.line.Value.ACTIVE})


def test_version_1_is_refused() -> None:
    """The package below 2 has another interface under the same name."""

    class Old:
        __version__ = "1.5.4"

    with pytest.raises(RouteError) as caught:
        GpiodRoute(package=Old())
    assert caught.value.code == "no-route"
    assert "1.5.4" in caught.value.what
