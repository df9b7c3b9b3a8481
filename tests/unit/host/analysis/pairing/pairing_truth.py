"""Runs with known truth: a responder with a queue, stalls, lost and extra edges."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s


@dataclass(frozen=True, slots=True)
class Scenario:
    """How stimuli come and how the board answers; times in ns, rates per event."""

    stimuli: int = 1000
    interval_ns: int = 5_000_000
    floor_ns: int = 500_000
    arrivals: str = "exponential"
    reaction_ns: int = 80_000
    jitter_ns: int = 8_000
    service_ns: int = 30_000
    miss: float = 0.01
    extra: float = 0.002
    stall: float = 0.002
    stall_ns: int = 25_000_000
    delay_ns: int = 0
    queue: int = 1_000_000
    width_ns: int = 20_000
    doubles: float = 0.0
    merge: bool = False


@dataclass(frozen=True, slots=True)
class Truth:
    """The edges, and per stimulus the true rise (-1 where there is none)."""

    stimulus_ns: Int64s
    rise_ns: Int64s
    fall_ns: Int64s
    true_rise_ns: Int64s


def arrivals(scenario: Scenario, rng: np.random.Generator) -> Int64s:
    """Stimulus edges by the arrival pattern."""
    count, mean = scenario.stimuli, scenario.interval_ns
    if scenario.arrivals == "periodic":
        gaps = np.full(count, mean)
    elif scenario.arrivals == "jittered":
        gaps = rng.integers(mean // 2, mean * 3 // 2, count)
    else:
        gaps = scenario.floor_ns + rng.exponential(mean - scenario.floor_ns, count).astype(np.int64)
    return np.asarray(np.cumsum(gaps), dtype=np.int64)


def simulate(scenario: Scenario, seed: int) -> Truth:
    """Answer each stimulus in order, through a queue, with stalls; lose and add edges."""
    rng = np.random.default_rng(seed)
    stimulus = arrivals(scenario, rng)
    lost = rng.random(stimulus.size) < scenario.miss
    stalled = rng.random(stimulus.size) < scenario.stall
    reaction = scenario.reaction_ns + rng.gamma(2.0, scenario.jitter_ns / 2, stimulus.size).astype(np.int64)
    service = np.minimum(reaction, scenario.service_ns + rng.integers(0, 5_000, stimulus.size))
    stall = (stalled * rng.random(stimulus.size) * scenario.stall_ns).astype(np.int64)
    truth = np.full(stimulus.size, -1, dtype=np.int64)
    free = -(2**62)
    pending: list[int] = []
    for i, at in enumerate(stimulus.tolist()):
        pending = [time for time in pending if time > at]
        if lost[i] or len(pending) >= scenario.queue or (scenario.merge and pending):
            continue
        answer = max(at + int(reaction[i] + stall[i]), free + int(service[i]))
        truth[i] = answer + scenario.delay_ns
        free = answer
        pending.append(answer)
    rises = truth[truth >= 0]
    doubled = rises[rng.random(rises.size) < scenario.doubles] + 60_000
    span = int(stimulus[-1]) + scenario.interval_ns
    extras = rng.integers(0, span, rng.binomial(stimulus.size, scenario.extra))
    every = np.unique(np.concatenate((rises, doubled, extras)))
    return Truth(stimulus, every, every + np.minimum(scenario.width_ns, np.diff(every, append=2**62) // 2), truth)
