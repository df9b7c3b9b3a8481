"""One side of a comparison from times that a test chooses."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.comparison.entries import LOST_NS, Entry

COUNTS = ("stimuli", "responses", "missed", "spurious", "coalesced", "ambiguous", "late")


def entry_of(
    name: str, blocks: Sequence[Int64s], *, missed: int = 0, lost: int = 0, evidence: str = "loop-back",
    virtual: bool = False, deadline_ns: int | None = None, changes: Mapping[str, Any] | None = None,
    facts: Mapping[str, str] | None = None,
) -> Entry:  # fmt: skip
    """A run, or a condition of a series where there are several blocks.

    Args:
        name: of the run.
        blocks: reaction times of the answers, one array a round.
        missed: stimuli without an answer on top of those.
        lost: answers taken back as never given, spread evenly; they stay in `blocks`.
        respects: in place of a route, which is the same for all that name none.
        facts: in which it may differ from others; the route is chardev where none is named.
        changes: any other field of the entry.
    """
    every = np.concatenate([np.empty(0, np.int64), *blocks, np.full(missed, LOST_NS)])
    if lost:
        every[:: every.size // lost] = LOST_NS
    stimuli = sum(block.size for block in blocks) + missed
    counts = dict.fromkeys(COUNTS, 0) | {"stimuli": stimuli, "responses": stimuli - missed, "missed": missed + lost}
    values: dict[str, Any] = {
        "name": name, "places": (name,), "blocks": tuple(blocks), "outcomes_ns": every, "counts": counts,
        "evidence": evidence, "virtual": virtual, "deadline_ns": deadline_ns,
        "respects": {"route": "chardev", **(facts or {})},
        "rounds": tuple(range(1, len(blocks) + 1)) if len(blocks) > 1 else (),
    }  # fmt: skip
    return Entry(**values | dict(changes or {}))
