"""What a run's answers are like beside the late ones: computed once, for the page, the terminal and JSON."""

from dataclasses import asdict, dataclass
from typing import Any, Final

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Int64s, Places
from edgereply.analysis.arrays.presence import NO_STAMP, present
from edgereply.analysis.statistics.dependence import Dependence, measure_dependence
from edgereply.analysis.statistics.drift import Drift, WarmUp, find_drift, find_warm_up
from edgereply.analysis.statistics.exceedances import share_interval
from edgereply.analysis.statistics.intervals import ProbabilityInterval
from edgereply.analysis.statistics.jitter import ResponseJitter, period_errors, response_jitter
from edgereply.analysis.statistics.modes import Mode, find_modes
from edgereply.analysis.statistics.pulses import LongPulses, long_pulses
from edgereply.analysis.statistics.quantile_intervals import QuantileEstimate, bound_above, quantile_intervals
from edgereply.evaluation.evaluate import Evaluation

CONFIDENCE: Final = 0.95
_BOUNDED: Final = (0.9999, 0.999, 0.99, 0.9)
_LONGEST_NS: Final = np.iinfo(np.int64).max


@dataclass(frozen=True, slots=True, kw_only=True)
class Tolerance:
    """With confidence 95 % at least `share` of all answers come no later than `bound_ns`.

    It holds if one disturbance holds up no more than `together` answers; 1 where slow answers come alone.
    """

    share: float
    bound_ns: int
    together: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What the order of the answers of one run shows.

    Attributes:
        length_s: from the first answered stimulus to the last.
        warm_up: answers at the start that belong to another regime.
        drift: trend over the run; None where it was not judged.
        dependence: how far one answer tells about the next.
        jitter: of the rising edges, pair by pair.
        strays: how far periods strayed, the median and the 99 % quantile of what they were off by, either way; None
            where there are too few.
    """

    length_s: float
    warm_up: WarmUp
    drift: Drift | None
    dependence: Dependence
    jitter: ResponseJitter
    strays: dict[str, QuantileEstimate | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Characteristics:
    """What the answers of a run are like.

    Attributes:
        answers: stimuli with a reaction time.
        modes: usual reaction times; none without answers.
        mode_shares: 95 % interval of the share of each; None where its answers are too clustered to say.
        tolerance: for the largest share that the answers support; None where they support none.
        long_pulses: pulses that stayed high too long; None where no pulse width is known.
        order: None without answers, and for rounds put together, whose order says nothing about a run.
    """

    answers: int
    modes: tuple[Mode, ...]
    mode_shares: tuple[ProbabilityInterval | None, ...]
    tolerance: Tolerance | None
    long_pulses: LongPulses | None
    order: Order | None


def characterise(result: Evaluation, one_run: bool) -> Characteristics:
    """Look at all answers of an evaluated run.

    Args:
        result: the evaluation.
        one_run: False for rounds put together.
    """
    answered = result.reaction_ns != NO_STAMP
    reaction = present(result.reaction_ns)
    modes = find_modes(reaction)
    return Characteristics(
        answers=int(reaction.size),
        modes=modes,
        mode_shares=tuple(share_interval((reaction >= mode.low_ns) & (reaction <= mode.high_ns)) for mode in modes),
        tolerance=_tolerance(reaction),
        long_pulses=_pulses(result),
        order=_order(result, answered, reaction) if one_run and reaction.size else None,
    )


def as_dict(found: Characteristics) -> dict[str, Any]:
    """JSON-ready; intervals are 95 %, [low, high] or null."""
    order, pulses = found.order, found.long_pulses
    return {
        "answers": found.answers,
        "modes": [
            asdict(mode) | {"share_ci95": _ends(share)}
            for mode, share in zip(found.modes, found.mode_shares, strict=True)
        ],
        "tolerance": None if found.tolerance is None else asdict(found.tolerance) | {"confidence": CONFIDENCE},
        "warm_up": None if order is None else asdict(order.warm_up),
        "drift": None if order is None or order.drift is None else asdict(order.drift) | {"length_s": order.length_s},
        "dependence": None if order is None else asdict(order.dependence),
        "jitter": None if order is None else _jitter(order),
        "long_pulses": None
        if pulses is None
        else {
            name: getattr(pulses, name)
            for name in ("pulses", "limit_ns", "median_ns", "longest_ns", "count", "into_next")
        }
        | {"share_ci95": _ends(pulses.share)},
    }


def _tolerance(reaction: Int64s) -> Tolerance | None:
    for share in _BOUNDED:
        found = bound_above(reaction, share, CONFIDENCE)
        if found is not None:
            return Tolerance(share=share, bound_ns=found.bound_ns, together=found.together)
    return None


def _order(result: Evaluation, answered: Bools, reaction: Int64s) -> Order:
    jitter = response_jitter(result.reaction_ns, answered)
    errors = period_errors(result.reaction_ns, answered)
    np.abs(errors, out=errors)
    off = dict(zip(("median_ns", "p99_ns"), quantile_intervals(errors, [0.5, 0.99], CONFIDENCE), strict=True))
    # Columns of a long run are let go as soon as they have been used.
    del errors
    asked = result.stimulus_ns[answered]
    return Order(
        length_s=float(asked[-1] - asked[0]) / 1e9,
        warm_up=find_warm_up(reaction),
        drift=find_drift(reaction, asked),
        dependence=measure_dependence(reaction),
        jitter=jitter,
        strays=off,
    )


def _pulses(result: Evaluation) -> LongPulses | None:
    there = result.pulse_width_ns != NO_STAMP
    if not there.any():
        return None
    unknown = there & ((result.stimulus_ns == NO_STAMP) | (result.reaction_ns == NO_STAMP))

    def until_next(limit_ns: int) -> Int64s:
        return _until_next(result, np.flatnonzero(result.pulse_width_ns > limit_ns))

    return long_pulses(present(result.pulse_width_ns), None, None if unknown.any() else until_next)


def _until_next(result: Evaluation, rows: Places) -> Int64s:
    """From each of these rises to the next stimulus: a late rise may come after stimuli that are not its own."""
    stimuli = result.stimulus_ns
    if (stimuli[1:] < stimuli[:-1]).any():
        stimuli = np.sort(stimuli)
    rises = result.stimulus_ns[rows] + result.reaction_ns[rows]
    place = np.searchsorted(stimuli, rises, side="right")
    following = np.where(place < stimuli.size, stimuli[np.minimum(place, stimuli.size - 1)], _LONGEST_NS)
    return np.asarray(following - rises, np.int64)


def _jitter(order: Order) -> dict[str, Any]:
    states = order.strays.items()
    return asdict(order.jitter) | {
        "off_by": {name: None if state is None else state.value_ns for name, state in states}
        | {"ci95": {name: None if state is None or not state.ends_ns else [*state.ends_ns] for name, state in states}}
    }


def _ends(share: ProbabilityInterval | None) -> list[float] | None:
    return None if share is None else [share.low, share.high]
