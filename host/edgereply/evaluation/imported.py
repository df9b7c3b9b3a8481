"""What a page or table says of an imported run beyond its figures."""

from __future__ import annotations

from typing import Any

import numpy as np

from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.evaluation.evaluate import Evaluation
from edgereply.storage.run_record import RunRecord
from edgereply.wording.numbers import duration


def conditions(record: RunRecord) -> tuple[dict[str, Any], dict[str, Any]]:
    """How edges were found: as asked for, and what the recording gave."""
    found = record.requested.get("import", {})
    asked: dict[str, Any] = {name: found[name] for name in ("hysteresis", "glitch_ns") if name in found}
    asked |= {role: channel.get("name") for role, channel in _channels(record).items()}
    had = {"recording": found.get("kind"), **found.get("layout", {})}
    had |= {name: found.get(name) for name in ("segments", "recorded_ns", "left_out")}
    levels = {role: channel.get("levels") for role, channel in _channels(record).items()}
    had |= {f"{role} levels, V": f"{both['low']:.4g} to {both['high']:.4g}" for role, both in levels.items() if both}
    return asked, asked | had


def wiring(record: RunRecord) -> list[tuple[str, str]]:
    """Which channel was which."""
    return [(f"channel {channel.get('name', '?')}", role) for role, channel in _channels(record).items()]


def known_words(result: Evaluation) -> list[str]:
    """How well each time is known; nothing for runs that were not imported."""
    known = result.known_to
    answered = result.reaction_ns[result.reaction_ns != NO_STAMP]
    if known is None or not answered.size:
        return []
    return [
        f"each time is known to ± {duration(round(known.expanded_ns(float(answered.max()))))} (k = 2): resolution "
        f"{duration(round(known.resolution_ns))}, sample clock ± {known.tolerance_ppm:g} ppm; the intervals are "
        "wider by it"
    ]


def near_words(result: Evaluation, deadline_ns: int | None) -> list[str]:
    """Answers so near the deadline that the instrument cannot tell their side."""
    if result.known_to is None or deadline_ns is None:
        return []
    reach_ns = result.known_to.expanded_ns(deadline_ns)
    near = (result.reaction_ns != NO_STAMP) & (np.abs(result.reaction_ns - deadline_ns) <= reach_ns)
    if not near.any():
        return []
    return [
        f"{np.count_nonzero(near)} answers are nearer to the deadline than the recording can tell "
        f"(± {duration(round(reach_ns))}): which of them were late is open, and the verdict allows for it."
    ]


def _channels(record: RunRecord) -> dict[str, dict[str, Any]]:
    found: dict[str, dict[str, Any]] = record.requested.get("import", {}).get("channels", {})
    return found
