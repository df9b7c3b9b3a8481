"""How pairing grows with the run, by one clock and by the board's rows, and how often it is wrong on generated truth.

python -m tests.benchmarks.pairing [largest count]
python -m tests.benchmarks.pairing grid [sizes, as 100,1000,10000] [seeds]
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from tests.unit.host.analysis.pairing import grid
from tests.unit.host.analysis.pairing.pairing_truth import Scenario, simulate

from edgereply.analysis.pairing.alignment import align
from edgereply.analysis.pairing.assignment import pair_by_rows
from edgereply.analysis.pairing.one_clock import pair
from edgereply.analysis.pairing.result import Pairing, Status

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


def by_rows(run: grid.GridRun) -> Pairing | str:
    """Aligned and assigned; why not, if it is refused."""
    alignment = align(run.stimulus_ns, run.edge_ns)
    edges = (run.stimulus_ns, run.rise_ns, run.rise_ns + 10_000)
    return pair_by_rows(edges, grid.WINDOW_NS, alignment, run.set_ns, run.watched_to_ns) or alignment.reason


def mistakes(found: Pairing, run: grid.GridRun) -> tuple[int, int, int]:
    """Wrong pairs, answered stimuli that are not paired, answered stimuli; of a record that ends, within it.

    To call an answer missed that came after the end of the record is wrong, too.
    """
    paired = found.status == Status.PAIRED
    wrong = int(np.count_nonzero(found.rise_ns[paired] != run.true_rise_ns[paired]))
    end = np.iinfo(np.int64).max if run.watched_to_ns is None else run.watched_to_ns
    wrong += int(np.count_nonzero((run.true_rise_ns > end) & (found.status == Status.MISSED)))
    answered = (run.true_rise_ns >= 0) & (run.true_rise_ns <= end)
    return wrong, int(np.count_nonzero(answered & ~paired)), int(np.count_nonzero(answered))


def growth_by_rows(largest: int) -> None:
    print("by the board's rows: 80 ppm with wander, 1 % lost, 0.2 % added, jitter 3 us")
    trouble = replace(grid.TROUBLES["drift"], lost=0.01, added=0.002)
    count = 10_000
    while count <= largest:
        run = grid.make(grid.ARRIVALS["exponential"], trouble, count, 1)
        taken = median_time(lambda r=run: by_rows(r))  # type: ignore[misc]
        shuffled = np.random.default_rng(1).permutation(run.stimulus_ns)
        sort = median_time(lambda column=shuffled: np.sort(column))  # type: ignore[misc]
        found = by_rows(run)
        assert not isinstance(found, str), found
        wrong, left, _ = mistakes(found, run)
        print(
            f"{count:>10} stimuli {taken:8.3f} s {1e9 * taken / count:7.0f} ns each, {taken / sort:.1f} times a sort "
            f"of one column; wrong {wrong}, left out {left}, ambiguous {found.ambiguous}"
        )
        count *= 10


def print_grid(sizes: list[int], seeds: int) -> None:
    """The grid of hard runs: a line for each, of all sizes and seeds together."""
    print(f"{'arrivals':14} {'trouble':20} {'runs':>5} {'refused':>8} {'wrong':>6} {'left out':>9} {'answered':>10}")
    total = np.zeros(4, np.int64)
    for arrivals, trouble in ((a, t) for a in grid.ARRIVALS | grid.UNDECIDED for t in grid.TROUBLES):
        sums = np.zeros(4, np.int64)
        reasons = set()
        for size, seed in ((size, seed) for size in sizes for seed in range(seeds)):
            run = grid.make((grid.ARRIVALS | grid.UNDECIDED)[arrivals], grid.TROUBLES[trouble], size, seed)
            found = by_rows(run)
            if isinstance(found, str):
                sums += (1, 0, 0, 0)
                reasons.add(found.partition(":")[0])
            else:
                sums += (0, *mistakes(found, run))
        refused, wrong, left, answered = sums.tolist()
        said = "; ".join(sorted(reasons))
        print(
            f"{arrivals:14} {trouble:20} {len(sizes) * seeds:5} {refused:8} {wrong:6} {left:9} {answered:10} {said}",
            flush=True,
        )
        if arrivals in grid.ARRIVALS:
            total += sums
    refused, wrong, left, answered = total.tolist()
    print(f"where the stamps decide: {refused} refused, {wrong} wrong, {left} of {answered} left out")


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
    if sys.argv[1:2] == ["grid"]:
        wanted = sys.argv[2] if len(sys.argv) > 2 else "100,1000,10000"
        print_grid([int(size) for size in wanted.split(",")], int(sys.argv[3]) if len(sys.argv) > 3 else 3)
        sys.exit()
    most = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000_000
    print("\n".join(lines(results(most))))
    growth_by_rows(most)
    wrong_pairs()
