"""Faults a virtual bench can be asked to show."""

from __future__ import annotations

from dataclasses import dataclass, fields

from edgereply.errors import SettingError


@dataclass(frozen=True, slots=True, kw_only=True)
class Faults:
    """What goes wrong, and how often; the default is nothing.

    Attributes:
        drop: probability that a stimulus edge does not reach the board.
        duplicate: probability that it reaches the board twice.
        late: probability that it reaches the board late by ``late_us``.
        late_us: microseconds.
        spurious: probability, a stimulus, of a response pulse from nowhere.
        garbage: probability, a write to the serial line, that random bytes creep in.
        stuck_after_ms: the response input never changes from so many ms into a run on.
        unplug_after: the serial line is gone after so many stimuli.
    """

    drop: float = 0.0
    duplicate: float = 0.0
    late: float = 0.0
    late_us: int = 1000
    spurious: float = 0.0
    garbage: float = 0.0
    stuck_after_ms: int | None = None
    unplug_after: int | None = None

    def __post_init__(self) -> None:
        for name in ("drop", "duplicate", "late", "spurious", "garbage"):
            if not 0 <= getattr(self, name) <= 1:
                raise SettingError(f"{getattr(self, name)} is not a probability.", name, "Give 0 to 1.")
        for name in ("late_us", "stuck_after_ms", "unplug_after"):
            value = getattr(self, name)
            if value is not None and value < 0:
                raise SettingError(f"{value} is negative.", name, "Give 0 or more.")

    def arguments(self) -> list[str]:
        """Returns: the options of ``python -m edgereply.virtual`` that ask for these faults."""
        return [
            f"--{field.name.replace('_', '-')}={getattr(self, field.name)}"
            for field in fields(self)
            if getattr(self, field.name) != field.default
        ]
