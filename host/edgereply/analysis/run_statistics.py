"""Everything the statistics have to say about one run, in one call."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgereply.analysis.dependence import Dependence, measure_dependence
from edgereply.analysis.drift import Drift, WarmUp, find_drift, find_warm_up
from edgereply.analysis.jitter import ResponseJitter, response_jitter
from edgereply.analysis.modes import Mode, find_modes
from edgereply.analysis.pulses import LongPulses, long_pulses
from edgereply.analysis.summary import SampleSummary, summarise
from edgereply.analysis.tolerance import UpperBound, upper_bound

_SHARE = 0.999


@dataclass(frozen=True, slots=True, kw_only=True)
class RunStatistics:
    """Statistics of one run's answers.

    Attributes:
        summary: the figures of `summarise`.
        bound: with confidence 95 %, 99.9 % of answers come no later (Wilks); None where there are too few.
        dependence: how far one answer tells about the next.
        jitter: of the rising edges.
        drift: trend over the run; None for short runs.
        warm_up: answers at the start that belong to another regime.
        modes: usual reaction times.
        long_pulses: pulses that stayed high too long; None without pulses.
    """

    summary: SampleSummary
    bound: UpperBound | None
    dependence: Dependence
    jitter: ResponseJitter
    drift: Drift | None
    warm_up: WarmUp
    modes: tuple[Mode, ...]
    long_pulses: LongPulses | None


def describe_run(
    stimulus_ns: NDArray[np.int64],
    rise_ns: NDArray[np.int64],
    answered: NDArray[np.bool_],
    width_ns: NDArray[np.int64],
) -> RunStatistics:
    """Compute every statistic of one run.

    Args:
        stimulus_ns: shape (n,), int64, nanoseconds, rising.
        rise_ns: shape (n,), int64, nanoseconds, the response to each; ignored where not answered.
        answered: shape (n,), bool.
        width_ns: shape (m,), int64, nanoseconds, widths of the pulses that were seen to end.

    Returns:
        See `RunStatistics`.
    """
    everything = bool(answered.all())
    reaction = rise_ns - stimulus_ns if everything else rise_ns[answered] - stimulus_ns[answered]
    asked = stimulus_ns if everything else stimulus_ns[answered]
    return RunStatistics(
        summary=summarise(reaction),
        bound=upper_bound(reaction, _SHARE) if reaction.size else None,
        dependence=measure_dependence(reaction),
        jitter=response_jitter(rise_ns - stimulus_ns, answered),
        drift=find_drift(reaction, asked) if reaction.size else None,
        warm_up=find_warm_up(reaction),
        modes=find_modes(reaction),
        long_pulses=long_pulses(width_ns),
    )
