"""How pairing and joining grow with the run, and how often they are wrong on generated truth.

python -m tests.benchmarks.pairing [largest count]
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from tests.unit.host.analysis.pairing.joining_truth import TwoClocks, stamp
from tests.unit.host.analysis.pairing.pairing_truth import Scenario, simulate

from edgereply.analysis.pairing.joining import join
from edgereply.analysis.pairing.joining_result import JoinStatus
from edgereply.analysis.pairing.pairing import Pairing, Status, pair

REPEATS = 3
WINDOW_NS = 100_000_000
QUIET = Scenario(miss=0, extra=0, stall=0)
MS = 1_000_000
SCENARIOS = {
    "1 % missed, 0.2 % extra, 0.2 % stalls": Scenario(),
    "stalls only": replace(QUIET, stall=0.01),
    "stalls and 1 % missed, no extras": Scenario(stall=0.01, extra=0),
    "5 % missed, 2 % extra, 2 % stalls": Scenario(stall=0.02, miss=0.05, extra=0.02),
    "1 kHz, stalls to 50 ms, 1 % missed": Scenario(interval_ns=MS, floor_ns=MS // 5, stall_ns=50 * MS),
    "1 kHz, queue of 16": replace(QUIET, interval_ns=MS, floor_ns=MS // 5, stall=0.002, stall_ns=50 * MS, queue=16),
    "delay of 4 intervals": Scenario(delay_ns=20 * MS),
    "utilisation 0.8, nothing lost": replace(QUIET, reaction_ns=4 * MS, service_ns=4 * MS),
    "utilisation 0.8, 1 % missed": replace(QUIET, reaction_ns=4 * MS, service_ns=4 * MS, miss=0.01),
    "utilisation 0.5, 1 % missed": Scenario(reaction_ns=5 * MS // 2, service_ns=5 * MS // 2, stall=0),
    "answers always twice": Scenario(doubles=1.0),
    "answers twice in 10 %": Scenario(doubles=0.1),
    "reaction spread 0.2 intervals": Scenario(jitter_ns=MS),
    "periodic": Scenario(arrivals="periodic"),
    "periodic, late by 1.4 periods": Scenario(arrivals="periodic", delay_ns=7 * MS),
    "30 % missed": Scenario(miss=0.3),
}


def median_time(work: Callable[[], object]) -> float:
    taken = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return sorted(taken)[REPEATS // 2]


def results(largest: int = 10_000_000) -> list[dict[str, float]]:
    """Pairing of runs of 10,000 stimuli to the largest, each ten times the one before, against numpy's sort."""
    found = []
    count = 10_000
    while count <= largest:
        rng = np.random.default_rng(1)
        stimulus = np.cumsum(500_000 + rng.exponential(4.5e6, count).astype(np.int64))
        answered = rng.random(count) >= 0.01
        rise = (stimulus + 80_000 + rng.gamma(2.0, 4_000.0, count).astype(np.int64))[answered]
        shuffled = rng.permutation(stimulus)
        sort = median_time(lambda column=shuffled: np.sort(column))  # type: ignore[misc]
        taken = median_time(lambda s=stimulus, r=rise: pair(s, r, r + 20_000, WINDOW_NS))  # type: ignore[misc]
        found.append({"stimuli": count, "pairing_s": taken, "sort_ratio": taken / sort})
        count *= 10
    return found


def lines(found: list[dict[str, float]]) -> list[str]:
    """For people."""
    return [
        f"pairing {one['stimuli']:>10,} stimuli, 1 % missed: {one['pairing_s']:.3f} s, "
        f"{1e9 * one['pairing_s'] / one['stimuli']:.0f} ns each, {one['sort_ratio']:.2f} times a sort of one column"
        for one in found
    ]


def growth_of_joining(largest: int) -> None:
    print("joining: 150 ppm, 1 % missing on both sides, 0.5 % extra")
    count = 10_000
    while count <= min(largest, 1_000_000):
        truth = stamp(TwoClocks(pulses=count), 1)
        taken = median_time(lambda t=truth: join(t.stimulus_ns, t.edge_ns))  # type: ignore[misc]
        result = join(truth.stimulus_ns, truth.edge_ns)
        joined = result.status == JoinStatus.JOINED
        wrong = np.count_nonzero(result.edge_index[joined] != truth.true_index[joined])
        print(
            f"{count:>10} stimuli {taken:8.3f} s {1e9 * taken / count:7.0f} ns each; wrong {wrong}, "
            f"ambiguous {result.ambiguous}, drift {result.drift_ppm:.4f} ppm, residual {result.residual_ns:.0f} ns"
        )
        count *= 10


def wrong_pairs() -> None:
    print("truth: wrong pairs of all pairs, per cent paired and ambiguous, seconds (5 runs of 4000)")
    for name, scenario in SCENARIOS.items():
        wrong = paired = ambiguous = 0
        taken = 0.0
        for seed in range(5):
            truth = simulate(replace(scenario, stimuli=4_000), seed)
            start = time.perf_counter()
            result: Pairing = pair(truth.stimulus_ns, truth.rise_ns, truth.fall_ns, WINDOW_NS)
            taken += time.perf_counter() - start
            good = result.status == Status.PAIRED
            wrong += int(np.count_nonzero(result.rise_ns[good] != truth.true_rise_ns[good]))
            paired += result.paired
            ambiguous += result.ambiguous
        share = wrong / max(paired, 1)
        print(f"{name:40} {wrong:4} {share:8.1e} {paired / 200:7.2f} {ambiguous / 200:6.2f} {taken:6.2f}")


if __name__ == "__main__":
    most = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000_000
    print("\n".join(lines(results(most))))
    growth_of_joining(most)
    wrong_pairs()
