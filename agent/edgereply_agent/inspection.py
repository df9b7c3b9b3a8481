"""Everything that can be known of the board."""

from __future__ import annotations

from edgereply_protocol import Json

from .environment import facts
from .routes import registry


def inspect_board() -> Json:
    """Chips, lines, routes, environment."""
    return {"chips": [], "routes": registry.available(), "environment": facts()}
