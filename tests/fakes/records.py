"""The record of a run, from what a test cares about."""

from __future__ import annotations

from typing import Any

from edgereply.storage.run_record import RunRecord, SourceRecord

WINDOW_NS = 100_000_000


def run_record(**changes: Any) -> RunRecord:
    """A virtual loop-back run of the board gate that has just begun, but for what is given."""
    values: dict[str, Any] = {
        "tool": "edgereply test", "run_id": "r1", "created": "2026-01-01T00:00:00+00:00", "board": "gate",
        "evidence": "loop-back", "virtual": True, "requested": {}, "source": SourceRecord(kind="virtual"),
        "window_ns": WINDOW_NS,
    }  # fmt: skip
    return RunRecord(**values | changes)
