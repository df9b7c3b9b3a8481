"""How long a series will take: what the plan says, and what the blocks so far have cost beyond it."""

import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import Protocol

from edgereply.wording.progress import SeriesProgress

# Before the first block nothing is known: starting, stopping and evaluating one run, and reaching a bench.
RUN_S = 0.5
OPENING_S = 1.5


class PlannedBlock(Protocol):
    """What is known of a block beforehand."""

    @property
    def board(self) -> str:
        """The board it is measured on."""

    @property
    def nominal_s(self) -> float:
        """Seconds its stimuli take."""

    @property
    def runs(self) -> int:
        """Runs it is made of: a warm-up is one too."""


@dataclass(frozen=True, slots=True)
class PlainBlock:
    """A block of one run."""

    board: str
    nominal_s: float
    runs: int = 1


@dataclass(slots=True)
class Pace:
    """Learns what a block costs beyond its stimuli. Times in seconds."""

    extra_s: list[float] = field(default_factory=list)

    def learn(self, setup: PlannedBlock, took_s: float) -> None:
        """Take in a finished block."""
        self.extra_s.append(max(0.0, took_s - setup.nominal_s))

    def block_s(self, setup: PlannedBlock) -> float:
        """What one block will take."""
        return setup.nominal_s + (median(self.extra_s) if self.extra_s else RUN_S * setup.runs)

    def total_s(self, todo: Sequence[PlannedBlock]) -> float:
        """What these blocks will take, in this order; a change of board means reaching a bench anew."""
        boards = [setup.board for setup in todo]
        openings = sum(here != before for here, before in zip(boards, [None, *boards], strict=False))
        unlearned = OPENING_S * openings if not self.extra_s else 0.0
        return sum(self.block_s(setup) for setup in todo) + unlearned


class SeriesClock:
    """Where a series stands, by what its blocks have cost so far."""

    def __init__(self, total: int) -> None:
        """
        Args:
            total: blocks of the series, those that were measured before included.
        """
        self._total = total
        self._began = self._block_began = time.monotonic()
        self._number, self._ahead_s = 1, 0.0
        self.pace = Pace()

    def begin(self, rest: Sequence[PlannedBlock]) -> None:
        """A block begins.

        Args:
            rest: the blocks that are missing, this one first.
        """
        self._number = self._total - len(rest) + 1
        self._block_began = time.monotonic()
        self._ahead_s = self.pace.total_s(rest)

    def end(self, block: PlannedBlock) -> None:
        """It is complete, and what it cost tells about those to come."""
        self.pace.learn(block, time.monotonic() - self._block_began)

    def progress(self) -> SeriesProgress:
        """Where the series stands now."""
        now = time.monotonic()
        left_s, gone_s = max(0.0, self._ahead_s - (now - self._block_began)), now - self._began
        return SeriesProgress(self._number, self._total, gone_s / max(gone_s + left_s, 1e-9), left_s)
