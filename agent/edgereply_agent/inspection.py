"""Everything that can be known of the board: chips and lines, routes, environment; and what its agent can do."""

from __future__ import annotations

import os
from typing import Optional

from edgereply_protocol import NEWEST, OLDEST, Json

from .environment import facts
from .errors import RouteError
from .routes import registry
from .routes.chardev_abi import LineInfo
from .routes.chips import Chips
from .settings import COLLECTIONS, WAITS
from .tasks import TASKS


def inspect_board(chips: Optional[Chips] = None, root: str = "/") -> Json:
    """The report for the host.

    Args:
        chips: where chips are found.
        root: directory that stands for `/` in the environment's facts.

    Returns:
        `chips` (each with `line_list`), `problems` (chips that could not be read), `routes`, `responders`,
        `environment`.
    """
    found, problems = list_chips(chips or Chips(root))
    return {
        "chips": found, "problems": problems, "routes": registry.available(), "responders": responders(),
        "environment": facts(root),
    }  # fmt: skip


def capabilities() -> Json:
    """What this agent can be asked for."""
    return {
        "routes": registry.available(),
        "waits": list(WAITS),
        "collections": list(COLLECTIONS),
        "tasks": list(TASKS),
        "protocol": [OLDEST, NEWEST],
    }


def responders() -> Json:
    """As the report on routes, for what can answer."""
    from . import floor

    return {"agent": {"available": True, "why": "", "remedy": ""}, "floor": floor.available()}


def list_chips(chips: Chips) -> tuple[list[Json], list[Json]]:
    """All chips with their lines, and why some could not be read."""
    found: list[Json] = []
    problems: list[Json] = []
    for path in chips.paths():
        try:
            found.append(_chip(chips, path))
        except RouteError as error:
            problems.append(error.as_json())
    return found, problems


def filters(line: LineInfo) -> Json:
    """What keeps edges of a line from whoever holds it: a debounce time, and edges of one kind only."""
    found: Json = {"debounce_us": line.debounce_us} if line.debounce_us else {}
    return found | ({"edges": line.edges} if line.edges not in ("none", "both") else {})


def _chip(chips: Chips, path: str) -> Json:
    fd = chips.open(path)
    try:
        info = chips.info(fd, path)
        lines = [chips.line(fd, offset, path) for offset in range(info.lines)]
    finally:
        os.close(fd)
    return {
        "path": path, "name": info.name, "label": info.label, "lines": info.lines, "bus": chips.bus(info.name),
        "line_list": [
            {
                "offset": line.offset, "name": line.name, "user": line.consumer, "used": line.used,
                "direction": line.direction, "bias": line.bias, **filters(line),
            }
            for line in lines
        ],
    }  # fmt: skip
