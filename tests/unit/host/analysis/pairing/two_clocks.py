"""Two clocks that stamp the same pulses, with known truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s


@dataclass(frozen=True, slots=True)
class TwoClocks:
    """How the pulses come and how both sides stamp them; times in ns, rates per pulse."""

    pulses: int = 2000
    interval_ns: int = 5_000_000
    arrivals: str = "exponential"
    offset_ns: int = 7 * 3600 * 10**9
    drift_ppm: float = 150.0
    bend_ppm: float = 0.0
    miss_stimulus: float = 0.01
    miss_edge: float = 0.01
    extra_edge: float = 0.005
    jitter_ns: int = 3_000
    outlier: float = 0.001
    quantum_ns: float = 62.5


@dataclass(frozen=True, slots=True)
class Stamps:
    """Both trains, and per stimulus the index of its true edge (-1 where it was not stamped)."""

    stimulus_ns: Int64s
    edge_ns: Int64s
    true_index: Int64s


def stamp(case: TwoClocks, seed: int) -> Stamps:
    """Stamp random pulses by both clocks; lose and add some."""
    rng = np.random.default_rng(seed)
    if case.arrivals == "periodic":
        gaps = np.full(case.pulses, float(case.interval_ns))
    elif case.arrivals == "jittered":
        gaps = case.interval_ns * rng.uniform(0.98, 1.02, case.pulses)
    else:
        gaps = case.interval_ns * (0.1 + 0.9 * rng.exponential(1.0, case.pulses))
    at = np.cumsum(gaps)
    phase = at / max(at[-1], 1.0)
    clock = at * case.drift_ppm * 1e-6 + case.bend_ppm * 1e-6 * at * phase / 2
    latency = 4_000 + rng.gamma(2.0, case.jitter_ns / 2, case.pulses)
    latency += (rng.random(case.pulses) < case.outlier) * rng.uniform(50_000, 400_000, case.pulses)
    board = case.offset_ns + (at + clock + latency).astype(np.int64)
    seen = rng.random(case.pulses) >= case.miss_edge
    told = rng.random(case.pulses) >= case.miss_stimulus
    extra = case.offset_ns + rng.integers(0, int(at[-1]), rng.binomial(case.pulses, case.extra_edge))
    edges = np.concatenate((board[seen], extra))
    order = np.argsort(edges, kind="stable")
    rank = np.empty(edges.size, dtype=np.int64)
    rank[order] = np.arange(edges.size)
    index = np.full(case.pulses, -1, dtype=np.int64)
    index[seen] = rank[: int(seen.sum())]
    stimulus = (np.floor(at / case.quantum_ns) * case.quantum_ns).astype(np.int64)
    return Stamps(stimulus[told], edges[order], index[told])
