"""How often "same", "different" and "cannot tell" are said of two setups, and how often wrongly.

    python -m tests.benchmarks.comparison_claims [repeats] [answers] [case ...]

Two setups whose times differ by a known factor are compared with a margin of 5 %. Wrong is "different" where the factor
is 1.05 or less, "same" where it is 1.05 or more; at 1.05 itself either word is. A claim about the setups takes several
sittings of each, or rounds in turns; of single sittings the claim is about these two, and the page says so: what they
would say of the setups is printed too, in brackets. 400 repeats by default.
"""

import math
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from tests.benchmarks.interval_coverage import POPULATIONS, Sampler
from tests.fakes.entries import entry_of

from edgereply.comparison.compare import compare_entries

MATTERS = 0.05
FACTORS = (1.0, 1.05, 1.1)
FIGURES = ("median_ns", "p99_ns")


def _rare_bursts(rng: np.random.Generator, count: int) -> NDArray[np.int64]:
    """Some three disturbances a run of ten slow answers each."""
    values = 50_000 + rng.exponential(3_000, count)
    for start in rng.choice(max(1, count - 10), rng.poisson(count / 1_000), replace=False):
        values[start : start + 10] += 200_000
    return values.astype(np.int64)


def _modes(rng: np.random.Generator, count: int) -> NDArray[np.int64]:
    """Two states 20 % apart, each held for some 200 answers."""
    state = np.cumsum(rng.random(count) < 1 / 200) % 2 ^ int(rng.integers(0, 2))
    return (50_000 * (1 + 0.2 * state) + rng.exponential(3_000, count)).astype(np.int64)


def _drifting(rng: np.random.Generator, count: int) -> NDArray[np.int64]:
    """Slower by 4 % from the beginning of a run to its end."""
    return ((50_000 + rng.exponential(3_000, count)) * np.linspace(1.0, 1.04, count)).astype(np.int64)


CASES: dict[str, Sampler] = {
    "independent": POPULATIONS["heavy tail"].draw,
    "few values": POPULATIONS["few values"].draw,
    "autocorrelated": POPULATIONS["autocorrelated"].draw,
    "long memory": POPULATIONS["long memory"].draw,
    "bursts": POPULATIONS["bursts"].draw,
    "rare bursts": _rare_bursts,
    "mode switching": _modes,
    "drifting": _drifting,
}


@dataclass(frozen=True, slots=True)
class Design:
    """How two setups are measured: sittings of each, and by how much one lies off the other, or rounds in turns."""

    sittings: int = 1
    between: float = 0.0
    rounds: int = 0


DESIGNS = {
    "one sitting each": Design(),
    "one sitting each, 1.5 % between": Design(between=0.015),
    "three sittings each, 1.5 % between": Design(3, 0.015),
    "two sittings each, 1.5 % between": Design(2, 0.015),
    "five sittings each, 1.5 % between": Design(5, 0.015),
    "8 rounds in turns": Design(rounds=8, between=0.015),
}


def said(draw: Sampler, design: Design, factor: float, answers: int, seed: list[int]) -> dict[str, tuple[str, float]]:
    """What is said of two setups in each figure, and the factor between those that were measured.

    Args:
        draw: the times of a run of the first setup; the second's are `factor` times as long.
        design: how they are measured.
        factor: the true one.
        answers: of each run, or of all rounds of a condition.
        seed: of everything.
    """
    rng = np.random.default_rng(seed)
    if design.rounds:
        each = answers // design.rounds
        shifts = np.exp(rng.normal(0.0, design.between, design.rounds))
        entries = [
            entry_of(name, [_scaled(draw(rng, each), shift * by) for shift in shifts], facts={"route": name})
            for name, by in (("A", 1.0), ("B", factor))
        ]
        return {pair.figure: (pair.outcome, factor) for pair in compare_entries(entries, True, matters=MATTERS).pairs}
    entries, shifts_by = [], []
    for name, by in (("A", 1.0), ("B", factor)):
        for _ in range(design.sittings):
            shift = by * math.exp(rng.normal(0.0, design.between))
            entries.append(entry_of(name, [_scaled(draw(rng, answers), shift)], facts={"route": name}))
            shifts_by.append(shift)
    pairs = [pair for pair in compare_entries(entries, False, matters=MATTERS).pairs if pair.kind == "setups"]
    return {pair.figure: (pair.outcome, shifts_by[-1] / shifts_by[0]) for pair in pairs}


def is_wrong(outcome: str, factor: float) -> bool:
    """Whether a word is wrong of a factor; at the margin either is."""
    far = abs(math.log(factor)) - math.log1p(MATTERS)
    return (outcome == "same" and far >= -1e-12) or (outcome == "different" and far <= 1e-12)


@dataclass
class Tally:
    """What was said over all repeats."""

    words: Counter[str]
    wrong: int = 0
    wrong_of_setups: int = 0
    runs: int = 0

    @property
    def claims(self) -> int:
        """How often anything was."""
        return self.words["same"] + self.words["different"]


def tallied(draw: Sampler, design: Design, factor: float, answers: int, repeats: int) -> dict[str, Tally]:
    """Count what is said in each figure."""
    found = {figure: Tally(Counter()) for figure in FIGURES}
    for repeat in range(repeats):
        for figure, (outcome, measured) in said(draw, design, factor, answers, [repeat, round(100 * factor)]).items():
            tally = found[figure]
            tally.runs += 1
            tally.words[outcome] += 1
            tally.wrong += is_wrong(outcome, measured if design.sittings == 1 and not design.rounds else factor)
            tally.wrong_of_setups += is_wrong(outcome, factor)
    return found


def _scaled(values: NDArray[np.int64], by: float) -> NDArray[np.int64]:
    scaled: NDArray[np.int64] = np.rint(values * by).astype(np.int64)
    return scaled


def _lines(cases: list[str], repeats: int, answers: int, make: Callable[[str], Sampler]) -> Iterator[str]:
    for design_name, design in DESIGNS.items():
        yield design_name
        for name in cases:
            for factor in FACTORS:
                for figure, tally in tallied(make(name), design, factor, answers, repeats).items():
                    if not tally.runs:
                        continue
                    shares = ", ".join(f"{100 * tally.words[w] / tally.runs:.1f} % {w}" for w in ("same", "different"))
                    yield (
                        f"  {name:<15} {figure.removesuffix('_ns'):<7} factor {factor:<4}: {shares}; "
                        f"wrong {100 * tally.wrong / tally.runs:.2f} % (of the setups "
                        f"{100 * tally.wrong_of_setups / tally.runs:.2f} %)"
                    )


def main(repeats: int, answers: int, cases: list[str]) -> None:
    print(f"{repeats:,} repeats, {answers:,} answers a run or condition; margin {MATTERS:.0%}")
    for line in _lines(cases or list(CASES), repeats, answers, CASES.__getitem__):
        print(line, flush=True)


if __name__ == "__main__":
    numbers = [int(a) for a in sys.argv[1:] if a.isdigit()]
    repeats, answers = numbers + [400, 3_000][len(numbers) :]
    main(repeats, answers, [a for a in sys.argv[1:] if not a.isdigit()])
