"""How many rows the agent is asked to keep: all of a quiet run, which fetches them at its end, and a margin."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from edgereply.config.settings import Board
from edgereply.measurement import measure


@pytest.mark.parametrize(
    ("responder", "collection", "rows"),
    [
        ("agent", "quiet", 6_000),
        ("agent", "stream", 65_536),
        ("observe", "quiet", 16_000),
        ("observe", "stream", 65_536),
    ],
)
def test_rows_for_five_thousand_stimuli(
    monkeypatch: pytest.MonkeyPatch, responder: str, collection: str, rows: int
) -> None:
    """An observer stamps a stimulus and both edges of its answer: three rows."""
    asked: list[int] = []
    client: Any = SimpleNamespace(configure=lambda task, settings: asked.append(settings["capacity"]))
    monkeypatch.setattr(measure, "configure_observer", lambda client, board, capacity, further: asked.append(capacity))
    board = Board.model_validate(
        {"link": "local", "route": "chardev", "responder": responder, "collection": collection, "input": "A",
         "output": "B", **({"stimulus_tap": "C", "response_tap": "D"} if responder == "observe" else {})}
    )  # fmt: skip
    measure._configure(client, board, 5_000)
    assert asked == [rows]
