"""How often a sentence of the verdict, or of the rule that stops a run, is wrong, on runs made to be awkward.

    python -m tests.benchmarks.claims [runs]

Every case has a known share of late answers, and is judged with just that share tolerated: the hardest case, in which
neither a pass nor a fail is true more often than by chance. A pass is *conditional* where it says for how large groups
of late answers it holds; where a case makes larger ones, the condition is not met, and that such a pass is wrong is
what it says. 400 runs a case by default; the standard error of 5 % is then 1.1 points.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import signal, stats
from tests.benchmarks.interval_coverage import POPULATIONS, Population, rare
from tests.fakes.made_runs import from_reactions

from edgereply.analysis.arrays.aliases import Bools, Int64s
from edgereply.analysis.statistics.sequential import may_stop
from edgereply.analysis.statistics.verdict import judge
from edgereply.evaluation.verdict import judge_run

DEADLINE_NS = 2_000_000
LATE_NS, USUAL_NS = 2_200_000, 100_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """Runs in which a known share of the answers is late.

    Attributes:
        draw: which are, given a source of chance and how many stimuli there are.
        share: late in the long run; over the run itself for what changes in the course of it.
        largest: late answers that one disturbance makes at most; None where that has no limit.
        stimuli: a run.
    """

    draw: Callable[[np.random.Generator, int], Bools]
    share: float
    largest: int | None
    stimuli: int = 5_000


def _independent(share: float, stimuli: int = 5_000) -> Case:
    return Case(draw=lambda rng, count: rng.random(count) < share, share=share, largest=1, stimuli=stimuli)


def _chain(correlation: float, share: float) -> Case:
    """A Gaussian chain above a limit: neighbours are late together."""

    def draw(rng: np.random.Generator, count: int) -> Bools:
        start = math.ceil(50 / (1 - correlation))
        steps = rng.normal(size=count + start) * math.sqrt(1 - correlation**2)
        found: Bools = signal.lfilter([1.0], [1.0, -correlation], steps)[start:] > stats.norm.isf(share)
        return found

    return Case(draw=draw, share=share, largest=None)


def _groups(expected: int, size: int, apart: int = 1, steady: bool = True, alone: float = 0.0) -> Case:
    """Disturbances at random, so many a run on average, each with so many late answers; some late ones alone beside.

    Not steady: sizes from a geometric distribution with that mean, which has no largest.
    """
    stimuli = 5_000
    share = expected * size / stimuli

    def draw(rng: np.random.Generator, count: int) -> Bools:
        late = rng.random(count) < alone
        for begin in np.flatnonzero(rng.random(count) < expected / stimuli).tolist():
            many = size if steady else int(rng.geometric(1 / size))
            late[begin : begin + many * apart : apart] = True
        return late

    return Case(draw=draw, share=share + alone * (1 - share), largest=size if steady else None)


def _states(usual: int, disturbed: int, late: float) -> Case:
    """Two states that last so many stimuli on average; in the second this share is late."""
    of_time = disturbed / (usual + disturbed)

    def draw(rng: np.random.Generator, count: int) -> Bools:
        parts: list[Bools] = []
        now, left = bool(rng.random() < of_time), count
        while left > 0:
            parts.append(np.full(int(rng.geometric(1 / (disturbed if now else usual))), now))
            left -= parts[-1].size
            now = not now
        found: Bools = np.concatenate(parts)[:count] & (rng.random(count) < late)
        return found

    return Case(draw=draw, share=of_time * late, largest=None)


def _drifting(share: float) -> Case:
    """Late answers get more in the course of the run; the share is that of this run."""
    return Case(
        draw=lambda rng, count: rng.random(count) < np.linspace(0.0, 2.0 * share, count), share=share, largest=1
    )  # fmt: skip


CASES = {
    "independent 0.2 %": _independent(0.002),
    "independent 1 %": _independent(0.01),
    "independent 40 %": _independent(0.4, 1_000),
    "chain 0.7, 1 %": _chain(0.7, 0.01),
    "chain 0.95, 1 %": _chain(0.95, 0.01),
    "chain 0.99, 5 %": _chain(0.99, 0.05),
    **{f"{n} groups of 10": _groups(n, 10) for n in (1, 2, 3, 5, 10, 40)},
    "10 groups of 10, 7 apart": _groups(10, 10, 7),
    **{f"{n} groups of 10 on average": _groups(n, 10, steady=False) for n in (3, 10, 40)},
    "1 group of 100": _groups(1, 100),
    "2 groups of 10 and late ones alone": _groups(2, 10, alone=0.004),
    "pairs": _groups(50, 2),
    "states, 2 visits, half late": _states(2_300, 200, 0.5),
    "states, 10 visits, half late": _states(450, 50, 0.5),
    "states, half a visit, 5 % late": _states(9_000, 1_000, 0.05),
    "drift": _drifting(0.01),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Count:
    """Of all runs of a case, shares that got each answer; each is wrong or as good as.

    Attributes:
        passes: without a condition.
        met: with a condition that the case meets.
        unmet: with one that it does not meet.
        fails: fails.
    """

    passes: float
    met: float
    unmet: float
    fails: float


def verdicts(case: Case, runs: int, seed: int = 1) -> Count:
    """Judge runs with the true share tolerated."""
    passes = met = unmet = fails = 0
    for run in range(runs):
        late = case.draw(np.random.default_rng([seed, run]), case.stimuli)
        reaction = np.where(late, LATE_NS, USUAL_NS)
        found = judge(reaction, np.ones(late.size, np.bool_), DEADLINE_NS, 0.95, case.share)
        fails += found.outcome == "fail"
        if found.outcome == "pass":
            holds = (
                case.largest is not None and found.holds_together is not None and case.largest <= found.holds_together
            )
            passes += not found.conditional
            met += found.conditional and holds
            unmet += found.conditional and not holds
    return Count(passes=passes / runs, met=met / runs, unmet=unmet / runs, fails=fails / runs)


def claimed(share: float, tolerated: float, size: int, stimuli: int, runs: int) -> dict[str, float]:
    """How often each outcome comes where the answer is clear: what the care costs."""
    outcomes: dict[str, float] = {}
    for run in range(runs):
        rng = np.random.default_rng([2, run])
        late = np.zeros(stimuli, np.bool_)
        for begin in np.flatnonzero(rng.random(stimuli) < share / size).tolist():
            late[begin : begin + size] = True
        found = judge(np.where(late, LATE_NS, USUAL_NS), np.ones(stimuli, np.bool_), DEADLINE_NS, 0.95, tolerated)
        name = "pass, conditional" if found.conditional else found.outcome
        outcomes[name] = outcomes.get(name, 0.0) + 1 / runs
    return outcomes


def locked(runs: int) -> dict[str, int]:
    """Stimuli in step with a tick of 1 ms that holds up 4 % of its cycle: outcomes with 1 % and with 10 % tolerated.

    Random arrivals would find 4 % late. In step, none is or all are.
    """
    outcomes: dict[str, int] = {}
    for run in range(runs):
        stimulus = np.arange(1_000) * 10_000_000 + run * 1_000_000 // runs
        late = np.mod(stimulus, 1_000_000) < 40_000
        result = from_reactions(stimulus, np.where(late, LATE_NS, USUAL_NS), DEADLINE_NS)
        for tolerated in (0.01, 0.1):
            outcome = judge_run(result, DEADLINE_NS, 0.95, tolerated, False).outcome
            outcomes[f"{tolerated}: {outcome}"] = outcomes.get(f"{tolerated}: {outcome}", 0) + 1
    return outcomes


STOPPED: dict[str, tuple[Population, float, float]] = {
    "independent, heavy tail, p90": (POPULATIONS["heavy tail"], 0.9, 0.05),
    "chain 0.7, p99": (POPULATIONS["autocorrelated"], 0.99, 0.05),
    "bursts, p90": (POPULATIONS["bursts"], 0.9, 0.05),
    **{f"a group of 10 in {every:,}, p99": (rare(10, every, 0), 0.99, 0.05) for every in (1_500, 3_000, 6_000, 20_000)},
    "two states, p90": (POPULATIONS["switching, 40 visits"], 0.9, 0.01),
}


def stops(population: Population, p: float, within: float, runs: int, most: int = 50_000) -> tuple[float, float]:
    """Shares of runs that were stopped before so many answers, and that were stopped at an interval that is wrong."""
    truth, stopped, wrong = population.quantile(p), 0, 0
    for run in range(runs):
        values: Int64s = population.draw(np.random.default_rng([3, run]), most)
        found = may_stop(values, p, within)
        if found.stop:
            last = found.looks[-1]
            stopped += 1
            wrong += not (last.low_ns or 0) <= truth <= (last.high_ns or 0)
    return stopped / runs, wrong / runs


def main(runs: int) -> None:
    print(f"Verdict, the true share tolerated: of {runs} runs each, per cent with that answer")
    print(f"{'':<36}   pass  pass, condition met  condition not met   fail")
    for name, case in CASES.items():
        one = verdicts(case, runs)
        print(
            f"{name:<36} {100 * one.passes:6.1f} {100 * one.met:20.1f} {100 * one.unmet:18.1f} {100 * one.fails:6.1f}",
            flush=True,
        )
    print("Verdict where the answer is clear: share of runs with each outcome")
    for share, size, stimuli in ((0.0, 1, 3_000), (0.0005, 1, 20_000), (0.0001, 10, 100_000), (0.0001, 10, 1_000_000),
                                 (0.003, 1, 5_000), (0.01, 10, 20_000)):  # fmt: skip
        found = claimed(share, 0.001, size, stimuli, max(20, runs // 10))
        said = ", ".join(f"{name} {100 * part:.0f} %" for name, part in sorted(found.items()))
        print(f"  {100 * share:g} % late in groups of {size}, {stimuli:,} stimuli, 0.1 % tolerated: {said}", flush=True)
    print(f"Stimuli in step with a tick, 4 % late at random times; outcomes by share tolerated: {locked(50)}")
    print("Stopping rule: per cent of runs stopped within 50,000 answers, and of all runs stopped wrongly")
    for name, (population, p, within) in STOPPED.items():
        stopped, wrong = stops(population, p, within, runs)
        print(f"  {name:<34} {100 * stopped:5.0f} {100 * wrong:6.1f}", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 400)
