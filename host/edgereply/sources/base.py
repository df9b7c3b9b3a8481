"""What every pulse source does, and the plain data that passes through it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol, get_args

from edgereply.analysis.arrays.aliases import Int64s, Uint8s
from edgereply.errors import SettingError

Pattern = Literal["periodic", "uniform", "exponential", "pairs"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StimulusPlan:
    """Which stimuli to emit.

    Attributes:
        pattern: how intervals are drawn: ``periodic``, ``uniform`` (period ± spread) or
            ``exponential`` (floor plus an exponential variate whose mean makes up the period) or ``pairs`` (two
            stimuli a gap apart, then a rest; see `arrivals`).
        period_ns: mean interval between stimulus edges.
        width_ns: how long each stimulus pulse lasts.
        count: how many stimuli.
        floor_ns: shortest interval of the exponential pattern.
        spread_ns: half the range of the uniform pattern.
        seed: start of the random sequence, 1 to 2**32 - 1; recorded with the run.
        shortest_gap_ns, longest_gap_ns: between which the gaps of pairs are swept; a shortest of 0 is the source's
            own, a longest of 0 half the period.
        inverted: True when the line idles high and a stimulus is a low pulse.
    """

    pattern: Pattern = "exponential"
    period_ns: int = 5_000_000
    width_ns: int = 50_000
    count: int = 100
    floor_ns: int = 1_000_000
    spread_ns: int = 1_000_000
    seed: int = 1
    inverted: bool = False
    shortest_gap_ns: int = 0
    longest_gap_ns: int = 0

    def __post_init__(self) -> None:
        if self.pattern not in get_args(Pattern):
            raise SettingError(
                f"the arrival pattern {self.pattern!r} is unknown",
                "pattern",
                "use periodic, uniform, exponential or pairs",
            )
        may_be_nothing = ("floor_ns", "spread_ns", "shortest_gap_ns", "longest_gap_ns")
        for name in ("period_ns", "width_ns", "count", "seed", *may_be_nothing):
            value = getattr(self, name)
            least = 0 if name in may_be_nothing else 1
            if isinstance(value, bool) or not isinstance(value, int) or value < least:
                raise SettingError(f"{value!r} is not usable here", name, f"give an integer of at least {least}")
        for name in ("count", "seed"):
            if getattr(self, name) > 0xFFFF_FFFF:
                raise SettingError(f"{getattr(self, name)} is too large", name, "give at most 4294967295")


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceIdentity:
    """What a pulse source says it is.

    Attributes:
        kind: name in the table of sources, e.g. ``reference``.
        model, serial, firmware: as the instrument reports them.
        tick_hz: resolution of its stamps, in ticks a second.
        tolerance_ppm: how far its clock may be off, in parts per million.
        captures: whether it times the response itself.
        virtual: True when no real wire is involved.
        shortest_gap_ns: how close two stimuli of a pair may be; 0 where it cannot say before it is armed, or has no
            pairs.
    """

    kind: str
    model: str
    serial: str
    firmware: str
    tick_hz: int
    tolerance_ppm: float
    captures: bool
    virtual: bool
    shortest_gap_ns: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceBatch:
    """Edges a source has reported since the last batch.

    Attributes:
        kind: uint8[n]: 1 stimulus, 2 rise, 3 fall, 4 fall lost.
        at_ns: int64[n]: when, in ns on the source's own unwrapped clock; sorted within a
            batch, and overlapping the batch before by less than 1 ms.
        lost: records the source had to throw away since the last batch.
        done: True for the last batch of a run; nothing follows it.
    """

    kind: Uint8s
    at_ns: Int64s
    lost: int
    done: bool


class PulseSource(Protocol):
    """An instrument that emits stimuli. Not safe to use from several threads at once.

    The order is arm, start, read until a batch is done; then arm again. ``abort`` is allowed at
    any moment, ``close`` too and more than once.
    """

    @property
    def identity(self) -> SourceIdentity:
        """Returns: what the instrument said it is."""
        ...

    def arm(self, plan: StimulusPlan) -> StimulusPlan:
        """Prepare a run without emitting anything.

        Args:
            plan: the stimuli wanted.

        Returns:
            The plan as it took effect: times rounded to what the instrument can do.

        Raises:
            SettingError: the instrument cannot do this plan.
            SourceError: the instrument failed or does not answer.
        """
        ...

    def start(self) -> None:
        """Begin the armed run.

        Raises:
            SourceError: nothing is armed, or the instrument failed.
        """
        ...

    def read(self, timeout_s: float) -> SourceBatch | None:
        """Wait for edges.

        Args:
            timeout_s: the longest wait, in seconds.

        Returns:
            The edges reported since the last call, or None when there were none in that time.
            After the batch with ``done`` there are none until the next start.

        Raises:
            SourceError: the instrument stopped working. All that arrived before was returned.
        """
        ...

    def abort(self) -> None:
        """End the run early and hold the stimulus line idle; harmless when none is running.

        What was stamped up to then can still be read, up to the batch with ``done``.
        """
        ...

    def level(self) -> int | None:
        """Returns: the response input now, 0 or 1; None when the source cannot tell."""
        ...

    def close(self) -> None:
        """Let the instrument go, its output idle. May be called more than once."""
        ...
