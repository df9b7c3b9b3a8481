"""Runs of source and board with known truth: a grid of arrival patterns and troubles."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from edgereply.analysis.arrays.aliases import Floats, Int64s

MEAN_NS = 5_000_000
WINDOW_NS = 100_000_000
Rng = np.random.Generator


def _bursts(n: int, rng: Rng) -> NDArray[Any]:
    return np.where(
        np.arange(n) % 10 == 0, MEAN_NS * 10 * (0.2 + rng.exponential(0.7, n)), 150_000 + rng.exponential(50_000, n)
    )


def _clumped(n: int, rng: Rng, share: float = 1.0) -> NDArray[Any]:
    close = rng.random(n) < 0.7 * share
    return np.where(close, 100_000 + rng.exponential(200_000, n), MEAN_NS * (0.1 + rng.exponential(2.5, n)))


def _two_rates(n: int, rng: Rng) -> NDArray[Any]:
    return np.where(np.arange(n) < n // 2, 0.5, 1.5) * MEAN_NS * (0.1 + 0.9 * rng.exponential(1.0, n))


def _pause(n: int, rng: Rng) -> NDArray[Any]:
    gaps = MEAN_NS * (0.1 + 0.9 * rng.exponential(1.0, n))
    gaps[n // 3] = 20e9
    return gaps


def _starved(n: int, rng: Rng) -> NDArray[Any]:
    """The sender cannot keep up: most intervals are the shortest it can do."""
    return np.where(rng.random(n) < 0.7, 2_000_000.0, 2_000_000 + rng.exponential(10e6, n))


Arrivals = Callable[[int, Rng], NDArray[Any]]

ARRIVALS: dict[str, Arrivals] = {
    "exponential": lambda n, rng: MEAN_NS * (0.1 + 0.9 * rng.exponential(1.0, n)),
    "uniform 50 %": lambda n, rng: MEAN_NS * rng.uniform(0.5, 1.5, n),
    "uniform 5 %": lambda n, rng: MEAN_NS * rng.uniform(0.95, 1.05, n),
    "bursts of ten": _bursts,
    "clumped": _clumped,
    "half clumped": lambda n, rng: _clumped(n, rng, 0.5),
    "two rates": _two_rates,
    "a pause": _pause,
    "two lengths": lambda n, rng: np.where(rng.random(n) < 0.5, 4e6, 6e6),
    "coarse grid": lambda n, rng: 1e6 * rng.integers(1, 10, n),
    "starved": _starved,
}
# Nothing in the stamps tells one place from another.
UNDECIDED: dict[str, Arrivals] = {
    "periodic": lambda n, rng: np.full(n, float(MEAN_NS)),
    "repeating 7": lambda n, rng: np.resize(MEAN_NS * (0.1 + 0.9 * rng.exponential(1.0, 7)), n),
    "repeating 40": lambda n, rng: np.resize(MEAN_NS * (0.1 + 0.9 * rng.exponential(1.0, 40)), n),
}


@dataclass(frozen=True, slots=True)
class Trouble:
    """What goes wrong; times in ns, shares per stimulus.

    The source's record ends after `record_to_share` of the run, the board's rows after `rows_to_share`. `doubled` edges
    are stamped a second time, `apart_ns` later, and answered again unless `one_answer`; the board's stamps of `held_up`
    edges, and of those that come meanwhile, are late by up to 3 ms.
    """

    drift_ppm: float = 20.0
    wander_ppm: float = 0.0
    jitter_ns: float = 3_000.0
    lost: float = 0.0
    added: float = 0.0
    service: float = 0.006
    beyond: float = 0.0
    stalls: int = 0
    from_share: float = 0.0
    to_share: float = 1.0
    rows_to_share: float = 1.0
    record_to_share: float = 1.0
    doubled: float = 0.0
    apart_ns: float = 0.0
    one_answer: bool = False
    held_up: float = 0.0


TROUBLES = {
    "clean": Trouble(),
    "drift": Trouble(drift_ppm=80.0, wander_ppm=5.0),
    "lost and added": Trouble(lost=0.05, added=0.01),
    "backlog": Trouble(service=0.95),
    "near the service rate": Trouble(service=1.0, lost=0.01, added=0.005),
    "beyond the window": Trouble(beyond=0.01),
    "stalls": Trouble(stalls=3),
    "late and early gone": Trouble(from_share=0.2, to_share=0.8),
    "rows cut off": Trouble(rows_to_share=0.6),
    "stopped": Trouble(service=0.3, record_to_share=0.7),
    "killed": Trouble(record_to_share=0.7, rows_to_share=0.6),
    "jitter": Trouble(jitter_ns=20_000.0),
    "doubled": Trouble(doubled=0.05),
    "doubled, one answer": Trouble(doubled=0.05, apart_ns=300.0, one_answer=True),
    "late stamps": Trouble(held_up=0.01),
}


@dataclass(frozen=True, slots=True)
class GridRun:
    """Stamps of one run: the source's, sorted; the board's rows; and the truth.

    Attributes:
        edge_of: per stimulus, index of the board's row, -1 for none.
        true_rise_ns: per stimulus, when it was answered, -1 where it was not answered.
        watched_to_ns: when the source's record ends; None where it goes on for long enough.
    """

    stimulus_ns: Int64s
    rise_ns: Int64s
    edge_ns: Int64s
    set_ns: Int64s
    edge_of: Int64s
    true_rise_ns: Int64s
    watched_to_ns: int | None = None


def _clock(at: Floats, trouble: Trouble) -> Floats:
    wander = trouble.wander_ppm * 1e-6 * 60e9 / (2 * np.pi) * np.sin(2 * np.pi * at / 60e9)
    return np.asarray(at * (1 + trouble.drift_ppm * 1e-6) + wander)


def make(arrivals: Arrivals, trouble: Trouble, count: int, seed: int) -> GridRun:
    """Simulate one run: a board that answers in order, one at a time."""
    rng = np.random.default_rng(seed)
    at = np.rint(np.cumsum(arrivals(count, rng))) + 1e9
    span = at[-1] - at[0]
    there = (np.arange(count) >= trouble.from_share * count) & (np.arange(count) < trouble.to_share * count)
    seen = there & (rng.random(count) >= trouble.lost)
    extra = at[0] + rng.random(rng.binomial(count, trouble.added)) * span
    # The board's edges, with the stimulus each belongs to.
    true_edge = np.concatenate((at[seen], extra))
    owner = np.concatenate((np.flatnonzero(seen), np.full(extra.size, -1)))
    order = np.argsort(true_edge, kind="stable")
    true_edge, owner = true_edge[order], owner[order]
    n = true_edge.size
    latency = 2_000 + rng.gamma(2.0, trouble.jitter_ns / 2, n)
    # Drawn apart, so that the other troubles stay as they were.
    more = np.random.default_rng((seed, 1))
    latency += (more.random(n) < trouble.held_up) * 3_000_000
    stamped = np.maximum.accumulate(true_edge + latency)
    copies = 1 + (more.random(n) < trouble.doubled)
    again = np.zeros(int(copies.sum()), np.bool_)
    again[np.cumsum(copies)[copies == 2] - 1] = True
    stamped, true_edge, owner = (np.repeat(values, copies) for values in (stamped, true_edge, owner))
    stamped = np.maximum.accumulate(stamped + again * trouble.apart_ns)
    owner[again] = -1
    n = stamped.size
    mean = span / max(1, count - 1)
    service = np.maximum(trouble.service * mean * rng.gamma(16.0, 1 / 16, n), 20_000.0)
    service += (rng.random(n) < trouble.beyond) * rng.uniform(1.2, 3.0, n) * WINDOW_NS
    for _ in range(trouble.stalls):
        service[rng.integers(0, n)] += 4 * WINDOW_NS
    if trouble.one_answer:
        service[again] = 0
    # One at a time: each is taken up when it came or when the one before was done (Lindley's recursion, unrolled).
    ahead = np.cumsum(service)
    start = np.maximum.accumulate(stamped + 15_000 - (ahead - service)) + (ahead - service)
    done = start + service
    rise = np.rint(done + 1_500 + rng.normal(0, 60, n)).astype(np.int64)
    rise = np.maximum.accumulate(rise)
    offset = 7 * 3600 * 10**9
    end = int(at[0] + trouble.record_to_share * span)
    rows = true_edge <= min(end, at[min(count - 1, int(trouble.rows_to_share * count))])
    edge_ns = np.rint(_clock(stamped, trouble)).astype(np.int64) + offset
    set_ns = np.rint(_clock(done, trouble)).astype(np.int64) + offset
    edge_of, true_rise_ns = np.full(count, -1, np.int64), np.full(count, -1, np.int64)
    own = owner >= 0
    true_rise_ns[owner[own]] = rise[own]
    row_number = np.cumsum(rows) - 1
    kept = own & rows
    edge_of[owner[kept]] = row_number[kept]
    if trouble.one_answer:
        rise = rise[~again]
    stimulus = at.astype(np.int64)
    if trouble.record_to_share == 1:
        return GridRun(stimulus, rise, edge_ns[rows], set_ns[rows], edge_of, true_rise_ns)
    kept = stimulus <= end
    rise = rise[rise <= end]
    return GridRun(stimulus[kept], rise, edge_ns[rows], set_ns[rows], edge_of[kept], true_rise_ns[kept], end)
