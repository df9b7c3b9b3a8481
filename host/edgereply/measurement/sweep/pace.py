"""How long a sweep will take: what the plan says, and what the blocks so far have cost beyond it."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from statistics import median

from edgereply.measurement.sweep.conditions import Setup

# Before the first block nothing is known: starting, stopping and evaluating one run, and reaching a bench.
RUN_S = 0.5
OPENING_S = 1.5


@dataclass(slots=True)
class Pace:
    """Learns what a block costs beyond its stimuli. Times in seconds."""

    extra_s: list[float] = field(default_factory=list)

    def learn(self, setup: Setup, took_s: float) -> None:
        """Take in a finished block."""
        self.extra_s.append(max(0.0, took_s - setup.nominal_s))

    def block_s(self, setup: Setup) -> float:
        """What one block will take."""
        runs = 1 if setup.warm_up is None else 2
        return setup.nominal_s + (median(self.extra_s) if self.extra_s else RUN_S * runs)

    def total_s(self, todo: Sequence[Setup]) -> float:
        """What these blocks will take, in this order; a change of board means reaching a bench anew."""
        boards = [setup.board for setup in todo]
        openings = sum(here != before for here, before in zip(boards, [None, *boards], strict=False))
        unlearned = OPENING_S * openings if not self.extra_s else 0.0
        return sum(self.block_s(setup) for setup in todo) + unlearned
