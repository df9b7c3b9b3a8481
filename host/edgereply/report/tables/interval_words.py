"""What the 95 % intervals of a summary allow for, in sentences."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from edgereply.evaluation.run_view import RunView, letter
from edgereply.wording.numbers import is_rough

METHOD: Final = "Ranges: 95 % intervals, for times of any shape; wider where slow answers come in groups."
_NAMES: Final = {"median_ns": "median", "p90_ns": "p90", "p99_ns": "p99", "p99_9_ns": "p99.9"}


def interval_words(views: Sequence[RunView]) -> list[str]:
    """How the intervals were found, and what answers that depend on each other are worth.

    Args:
        views: one or more runs.

    Returns:
        Sentences; one a run whose reaction times depend on each other.
    """
    lines = [METHOD]
    for index, view in enumerate(views):
        said = _worth(view.summary.get("reaction") or {})
        if said:
            lines.append(f"{letter(index)}: {said[0].lower()}{said[1:]}" if len(views) > 1 else said)
    return lines


def _worth(reaction: Mapping[str, Any]) -> str:
    """The figure that dependence costs most, a rough one before all others; "" where none shows."""
    count = reaction.get("count") or 0
    worth = {name: n for name, n in (reaction.get("effective_count") or {}).items() if n < count}
    if not worth:
        return ""
    name = min(worth, key=lambda one: (not is_rough(reaction, one), int(worth[one])))
    size = f"effective sample size {worth[name]:,} of {count:,}" if worth[name] > 1 else "they count as one at most"
    if is_rough(reaction, name):
        return f"Slow answers come in groups, too few for a range of the {_NAMES[name]} ({size}); measure longer."
    return f"Slow answers come in groups, so the range of the {_NAMES[name]} is wider ({size})."
