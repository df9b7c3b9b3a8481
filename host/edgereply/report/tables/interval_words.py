"""What the 95 % intervals of a summary allow for, in sentences."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from edgereply.evaluation.run_view import RunView, letter

METHOD: Final = (
    "Intervals: 95 %, without assuming a shape. Where answers depend on each other they are widened by how much blocks "
    "of the run differ."
)
_NAMES: Final = {"median_ns": "median", "p90_ns": "p90", "p99_ns": "p99", "p99_9_ns": "p99.9"}


def interval_words(views: Sequence[RunView]) -> list[str]:
    """How the intervals were found, and what clustered answers are worth.

    Args:
        views: one or more runs.

    Returns:
        Sentences; one a run whose reaction times depend on each other.
    """
    lines = [METHOD]
    for index, view in enumerate(views):
        said = _worth(view.summary.get("reaction") or {})
        if said:
            lines.append(f"{letter(index)}: {said}" if len(views) > 1 else f"{said[0].upper()}{said[1:]}")
    return lines


def _worth(reaction: Mapping[str, Any]) -> str:
    """The figure that dependence costs most; "" where none shows."""
    count = reaction.get("count") or 0
    worth = {name: n for name, n in (reaction.get("effective_count") or {}).items() if n < count}
    if not worth:
        return ""
    known = reaction.get("ci95") or {}
    name = min(worth, key=lambda one: (known.get(one) is not None, int(worth[one])))
    ones = f"{worth[name]:,} independent ones" if worth[name] > 1 else "one independent one at most"
    said = f"answers depend on each other: for its {_NAMES[name]}, {count:,} are worth {ones}"
    return f"{said}." if known.get(name) else f"{said}, too few for an interval; measure longer."
