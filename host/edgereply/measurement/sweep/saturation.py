"""The highest rate a board answers without missing: bisection over rates, and what it is worth."""

from collections.abc import Callable
from dataclasses import asdict, dataclass
from math import ceil, log2, sqrt
from typing import Any

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.statistics.intervals import probability_upper_bound
from edgereply.errors import SettingError
from edgereply.wording.numbers import one_in, percentage
from edgereply.wording.units import rate_words

FINE = 1.05


@dataclass(frozen=True, slots=True)
class RateProbe:
    """One rate, tried.

    Attributes:
        period_ns: mean interval of the stimuli.
        stimuli: how many were sent.
        unanswered: missed, coalesced, or answered in a way that cannot be told.
        behind: the board answered later and later, by more than an interval: a queue grew that a longer run would show.
        run: its directory.
        late: answered after the deadline; None without one.
    """

    period_ns: int
    stimuli: int
    unanswered: int
    behind: bool
    run: str
    late: int | None = None

    @property
    def kept_up(self) -> bool:
        """Whether every stimulus was answered, and no queue grew."""
        return self.stimuli > 0 and self.unanswered == 0 and not self.behind


@dataclass(frozen=True, slots=True)
class Saturation:
    """What the search found.

    Attributes:
        kept_up_ns: shortest mean interval at which it kept up; None when it did not at the lowest rate.
        lost_ns: longest one tried at which it did not; None when it kept up at the highest rate.
        share_bound: with the confidence, at most this share is missed at `kept_up_ns`; 1 without one.
        confidence: that the bound holds, shared out among all probes there may be.
        probes: in the order in which they were made.
    """

    kept_up_ns: int | None
    lost_ns: int | None
    share_bound: float
    confidence: float
    probes: tuple[RateProbe, ...]

    def as_dict(self) -> dict[str, Any]:
        """JSON-ready."""
        return asdict(self)


def fell_behind(reaction_ns: Int64s, period_ns: int) -> bool:
    """Whether answers came later and later.

    Args:
        reaction_ns: shape (n,), int64, nanoseconds, in order of time.
        period_ns: mean interval of the stimuli.

    Returns:
        True where the last fifth is later than the first by more than an interval, both by their medians.
    """
    fifth = reaction_ns.size // 5
    if fifth == 0:
        return False
    return bool(np.median(reaction_ns[-fifth:]) - np.median(reaction_ns[:fifth]) > period_ns)


def probes_needed(slow_ns: int, quick_ns: int, fine: float = FINE) -> int:
    """Probes that a search between two intervals takes at most, both ends included."""
    width = log2(slow_ns / quick_ns) / log2(fine)
    return 2 + max(0, ceil(log2(width))) if width > 1 else 2


def search(
    slow_ns: int, quick_ns: int, measure: Callable[[int], RateProbe], confidence: float = 0.95, fine: float = FINE
) -> Saturation:
    """Look for the shortest interval at which nothing is missed.

    The bound on the share missed there allows for having looked at several rates (each bound holds with
    1 - (1 - confidence) / probes) and assumes stimuli are missed independently. That one rate keeps up and a higher
    one does not is what is found; a board that misses now and then at any rate has no such limit, and the probes show.

    Args:
        slow_ns: mean interval of the lowest rate.
        quick_ns: mean interval of the highest rate, below `slow_ns`.
        measure: tries one interval.
        confidence: strictly within 0 to 1.
        fine: it stops when the two rates found are closer than this ratio.

    Raises:
        SettingError: the highest rate is not above the lowest.
    """
    if not 0 < quick_ns < slow_ns:
        raise SettingError("the highest rate must be above the lowest", where="--saturation", remedy="give low to high")
    probes = [measure(slow_ns)]
    good, bad = (slow_ns, None) if probes[0].kept_up else (None, slow_ns)
    if good is not None:
        probes.append(measure(quick_ns))
        good, bad = (quick_ns, None) if probes[1].kept_up else (slow_ns, quick_ns)
    while good is not None and bad is not None and good / bad > fine and good - bad > 1:
        middle = min(max(round(sqrt(good * bad)), bad + 1), good - 1)
        probes.append(measure(middle))
        good, bad = (middle, bad) if probes[-1].kept_up else (good, middle)
    bound = 1.0
    if good is not None:
        each = 1.0 - (1.0 - confidence) / probes_needed(slow_ns, quick_ns, fine)
        sent = next(probe.stimuli for probe in probes if probe.period_ns == good)
        bound = probability_upper_bound(0, sent, each)
    return Saturation(good, bad, bound, confidence, tuple(probes))


def sentences(found: Saturation) -> list[str]:
    """The outcome in plain words."""
    if found.kept_up_ns is None:
        return [
            "The board did not keep up with the lowest rate: there is no rate to name. Start lower, or find out why."
        ]
    rate = rate_words(found.kept_up_ns)
    beyond = (
        "the highest rate asked for: the limit lies beyond it"
        if found.lost_ns is None
        else f"at {rate_words(found.lost_ns)} it did not keep up"
    )
    [kept] = [probe for probe in found.probes if probe.period_ns == found.kept_up_ns]
    late = (
        [f"Not all in time: at {rate} {kept.late:,} of {kept.stimuli:,} came after the deadline."] if kept.late else []
    )
    return [
        f"Up to {rate} every stimulus was answered; {beyond}.",
        *late,
        f"With {percentage(found.confidence)} confidence at most {one_in(found.share_bound)} of the stimuli go "
        f"unanswered at {rate}, if they are missed independently of each other; "
        "the number of rates tried is allowed for.",
    ]
