"""How far a series of measurements is, as people read it."""

from __future__ import annotations

from dataclasses import dataclass

from edgereply.wording.numbers import time_left


@dataclass(frozen=True, slots=True)
class SeriesProgress:
    """Where a series stands.

    Attributes:
        number: of the part that is being measured, from 1.
        total: parts, or at most so many.
        share: of the time of all of it that has gone, 0 to 1.
        left_s: seconds until all of it is done; None where that cannot be told.
        unit: what a part is called.
        at_most: whether there may be fewer parts.
    """

    number: int
    total: int
    share: float
    left_s: float | None = None
    unit: str = "block"
    at_most: bool = False

    def words(self) -> str:
        """Such as "block 3 of 16, 4 min 05 s left in all"."""
        said = f"{self.unit} {self.number} of {'at most ' if self.at_most else ''}{self.total}"
        return said if self.left_s is None else f"{said}, {time_left(self.left_s)} left in all"
