"""Faults a virtual bench can be asked to show."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

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
        garbage: probability, a piece of a run's records on the serial line, that random bytes creep in.
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
            value = getattr(self, name)
            if not isinstance(value, int | float) or not 0 <= value <= 1:
                raise SettingError(f"{value!r} is not a probability", name, "give 0 to 1")
        for name in ("late_us", "stuck_after_ms", "unplug_after"):
            value = getattr(self, name)
            if value is not None and (not isinstance(value, int) or value < 0):
                raise SettingError(f"{value!r} is not usable here", name, "give a whole number, 0 or more")

    @classmethod
    def from_options(cls, options: Mapping[str, Any]) -> Faults:
        """Build from named options.

        Raises:
            SettingError: a name that is no fault, or a value out of range.
        """
        known = [field.name for field in fields(cls)]
        for name in options:
            if name not in known:
                raise SettingError(f"there is no fault {name!r}", "source 'virtual'", f"use: {', '.join(known)}")
        return cls(**options)

    def arguments(self) -> list[str]:
        """Returns: the options of ``python -m edgereply.sources.simulator`` that ask for these faults."""
        return [
            f"--{field.name.replace('_', '-')}={getattr(self, field.name)}"
            for field in fields(self)
            if getattr(self, field.name) != field.default
        ]
