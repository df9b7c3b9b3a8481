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
        side_by_side: several parts are measured at once; `number` is how many are done.
    """

    number: int
    total: int
    share: float
    left_s: float | None = None
    unit: str = "block"
    at_most: bool = False
    side_by_side: bool = False

    def words(self) -> str:
        """Such as "block 3 of 16, 4 min 05 s left in all"; "3 of 16 blocks done" where several are measured at once."""
        said = f"{self.unit} {self.number} of {'at most ' if self.at_most else ''}{self.total}"
        if self.side_by_side:
            said = f"{self.number} of {self.total} {self.unit}s done"
        return said if self.left_s is None else f"{said}, {time_left(self.left_s)} left in all"
