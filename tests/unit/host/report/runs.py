"""Runs with a known shape for report and console tests."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from edgereply.analysis.arrays.presence import NO_STAMP, present
from edgereply.analysis.statistics.summary import summarise
from edgereply.evaluation.run_view import RunView

HOSTILE = (
    "</script><script>window.pwned=1</script><img src=x onerror=window.pwned=2>"
    "<a href='javascript:window.pwned=3'>b</a> {{7*7}} %{x} <!-- \u202e\x1b[31m"
)


def shuffled(count: int) -> NDArray[np.int64]:
    """1 µs to `count` µs in an order that says nothing."""
    return 1000 * np.random.default_rng(1).permutation(np.arange(1, count + 1))


def run(reaction_ns: NDArray[np.int64] | list[int], **changes: Any) -> RunView:
    """A run with the given reaction times (NO_STAMP: missed), one stimulus a millisecond, pulses of 50 µs."""
    reaction = np.asarray(reaction_ns, dtype=np.int64)
    answered = reaction != NO_STAMP
    width = np.where(answered, 50_000, NO_STAMP)
    wake = np.where(answered, reaction // 2, NO_STAMP)
    segments = {"wake_delay": wake, "outside": np.where(answered, reaction - reaction // 2, NO_STAMP)}
    count = int(reaction.size)
    counts = {
        "stimuli": count,
        "responses": int(answered.sum()),
        "missed": count - int(answered.sum()),
        "spurious": 0,
        "coalesced": 0,
        "late": 0,
    }
    values: dict[str, Any] = {
        "title": "Reject gate",
        "evidence": "joined",
        "virtual": True,
        "condition_requested": {"wait": "spin", "realtime": {"fifo_priority": 80, "cpus": [3]}},
        "condition_in_effect": {"wait": "spin", "realtime": {"fifo_priority": None, "cpus": [3]}, "clock": "monotonic"},
        "environment": {"kernel": "6.1", "cpus": 4},
        "counts": counts,
        "summary": {
            "reaction": summarise(present(reaction)).as_dict(),
            "pulse_width": summarise(present(width)).as_dict(),
            "segments": {name: summarise(present(part)).as_dict() for name, part in segments.items()},
        },
        "reaction_ns": reaction,
        "stimulus_ns": 1_000_000 * np.arange(count, dtype=np.int64),
        "pulse_width_ns": width,
        "segments": segments,
        "deadline_ns": 2_000_000,
        "repeat": ["edgereply measure --bench bench.toml"],
        "notes": ["a note"],
        "cautions": ["a caution"],
        "wiring": [("source: stimulus", "board: input"), ("board: output", "source: capture")],
    }
    return RunView(**(values | changes))


def usual(count: int = 5000, seed: int = 1, **changes: Any) -> RunView:
    """A run of gamma-shaped reaction times around 100 µs; one in 1000 late, one in 500 missed."""
    generator = np.random.default_rng(seed)
    reaction = (80_000 + generator.gamma(2.0, 10_000, count)).astype(np.int64)
    reaction[::1000] = 2_500_000
    reaction[7::500] = NO_STAMP
    said = {
        "judged": "fail",
        "judgement": ["FAIL: the deadline of 2 ms is not kept.", "15 of 5,000 stimuli were late."],
        "findings": ["One peak: 97 µs."],
        "bench": "[stimulus]\nseed = 20\n",
        "tool": "edgereply 9.9",
    }
    return run(reaction, **(said | changes))
