"""A pulse source's firmware on a rig, as the suites of all firmwares see it. A chip joins by one subclass of this."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from tests.products import Change
from tests.rig.any_rig import AnyRig, Rule


@dataclass(frozen=True, slots=True)
class Answer:
    """What the board under test does: a delay drawn between two, how long it holds its answer, and the rest, in us."""

    delay_least: float = 1000
    delay_most: float = 1000
    width: float = 100
    gap: float = 100  # between two answers to the same stimulus
    inverted: bool = False  # answers the stimulus' falling edge
    miss_every: int = 0  # stimuli, 0: none is missed
    twice_every: int = 0

    def rule(self, clock_hz: int) -> Rule:
        """Returns: the same as a rig takes it, in cycles of its clock."""
        delay_min, delay_max, width, gap = (
            round(us * clock_hz / 1_000_000) for us in (self.delay_least, self.delay_most, self.width, self.gap)
        )
        return Rule(
            delay_min=delay_min,
            delay_max=delay_max,
            width=width,
            gap=gap,
            inverted=int(self.inverted),
            miss_every=self.miss_every,
            twice_every=self.twice_every,
        )


class FirmwareSuite:
    """What each suite of a firmware's tests is told about the chip.

    Attributes:
        model: the chip, as ``*IDN?`` names it.
        serial: its number, as ``*IDN?`` names it; 0 where it was given none.
        tick_hz: ticks a second.
        tolerance_ppm: the firmware's answer to ``ROSC:TOL?``.
        thorough: runs are so many times as long as the shortest that is worth it; 1 where virtual time passes slowly.
        quickest_us: the least delay of an answer that surely has its stamps.
    """

    model: ClassVar[str]
    serial: ClassVar[str] = "0"
    tick_hz: ClassVar[int]
    tolerance_ppm: ClassVar[str]
    thorough: ClassVar[int] = 1
    quickest_us: ClassVar[float]

    @property
    def identity(self) -> str:
        """The firmware's answer to ``*IDN?``."""
        return f"edgereply,pulse source {self.model},{self.serial},1.0"

    @classmethod
    def rig(cls, answer: Answer | None = None, *changes: Change) -> AnyRig:
        """Returns: the chip's rig, powered up for as long as it is entered.

        Args:
            answer: nothing answers without it.
            changes: to the firmware, as in `make_changed`.
        """
        raise NotImplementedError

    def spread_out(self) -> Answer:
        """Returns: answers at any moment of the time between two stimuli, of a width that is no whole number of us."""
        return Answer(self.quickest_us, 875, 62.504)
