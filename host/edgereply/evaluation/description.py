"""What a run's answers are like, put into sentences with numbers and intervals."""

from typing import Final

from edgereply.analysis.statistics.dependence import Dependence
from edgereply.analysis.statistics.drift import FEWEST_ANSWERS, Drift, WarmUp
from edgereply.analysis.statistics.intervals import ProbabilityInterval
from edgereply.analysis.statistics.modes import FEWEST, Mode
from edgereply.analysis.statistics.pulses import LongPulses
from edgereply.analysis.statistics.quantile_intervals import QuantileEstimate
from edgereply.evaluation.characteristics import Characteristics, Order, Tolerance
from edgereply.wording.numbers import ROUGH, duration, listing, share

_COUNTED: Final = ("no", "one", "two", "three", "four", "five", "six")
_FINE: Final = 10**9


def describe(found: Characteristics) -> list[str]:
    """Modes, tolerance bound and long pulses; for a single run also warm-up, drift, dependence and jitter."""
    lines = []
    if found.answers:
        lines += mode_sentences(found.modes, found.mode_shares, found.answers)
        lines += _tolerance(found.tolerance)
    if found.order is not None:
        order = found.order
        if found.answers < FEWEST_ANSWERS:
            lines.append(
                f"Not enough data to tell a warm-up or a drift: it takes {FEWEST_ANSWERS} answers, there are "
                f"{found.answers}."
            )
        else:
            lines += warm_up_sentences(order.warm_up)
            lines += drift_sentences(order.drift, order.length_s)
        lines += dependence_sentences(order.dependence, found.answers)
        lines += jitter_sentences(order)
    return lines + long_pulse_sentences(found.long_pulses)


def mode_sentences(modes: tuple[Mode, ...], shares: tuple[ProbabilityInterval | None, ...], answers: int) -> list[str]:
    """Usual reaction times: how many, where, and what share of the answers."""
    if answers < FEWEST:
        return [f"Not enough data to look for several peaks: it takes {FEWEST} answers, there are "
                f"{answers}."]  # fmt: skip
    if len(modes) == 1:
        [mode] = modes
        return [f"One peak: {duration(mode.peak_ns)}; eight in ten answers are from "
                f"{duration(mode.p10_ns)} to {duration(mode.p90_ns)}."]  # fmt: skip
    parts = [
        f"{duration(mode.peak_ns)} for {_share(round(mode.share * answers), answers, within)}"
        for mode, within in zip(modes, shares, strict=True)
    ]
    count = _COUNTED[len(modes)] if len(modes) < len(_COUNTED) else str(len(modes))
    return [f"{count.capitalize()} peaks: {listing(parts)} of the answers. The board answers in more than one "
            "way."]  # fmt: skip


def warm_up_sentences(found: WarmUp) -> list[str]:
    """Whether the start belongs to another regime."""
    if not found.count:
        return ["No warm-up: the first answers are like the rest."]
    slower = found.shift_ns > 0
    within = ""
    if found.low_ns is not None and found.high_ns is not None:
        ends = sorted(end if slower else -end for end in (found.low_ns, found.high_ns))
        within = f"95 %: {duration(ends[0])} to {duration(ends[1])}; "
    return [f"Warm-up: the first {found.count:,} answers were {duration(abs(found.shift_ns))} "
            f"{'slower' if slower else 'faster'} than the rest ({within}p = {found.p_value:.2g}). All figures include "
            "them; warm up first to keep them out."]  # fmt: skip


def drift_sentences(found: Drift | None, length_s: float) -> list[str]:
    """Whether the usual answer moved over the run."""
    if found is None:
        return []
    low, high = sorted((found.low_ns_per_s * length_s, found.high_ns_per_s * length_s))
    within = f"95 %: {_signed(low)} to {_signed(high)}"
    if not found.drifts:
        return [f"No drift of the usual answer over the run ({within})."]
    return [f"Drift: the usual answer moved by {_signed(found.change_ns)} over the run ({within})."]


def dependence_sentences(found: Dependence, answers: int) -> list[str]:
    """Whether one answer tells about the next."""
    if not found.dependent:
        return []
    return [f"Slow answers come in groups, so the range of the mean is wider (effective sample size "
            f"{found.effective_count:,.0f} of {answers:,})."]  # fmt: skip


def jitter_sentences(order: Order) -> list[str]:
    """How far the rhythm of the rises strays from that of the stimuli."""
    found = order.jitter
    if not found.periods or found.period_std_ns is None:
        return ["No jitter from pair to pair: it takes two periods, each of two neighbouring stimuli that were both "
                "answered."]  # fmt: skip
    next_one = ""
    if found.cycle_to_cycle_max_ns is not None:
        next_one = f", from one period to the next at most {duration(found.cycle_to_cycle_max_ns)}"
    peaks = duration(found.period_peak_to_peak_ns)
    lines = [f"Jitter of the rising edges, pair by pair: {found.periods:,} periods were off those of their stimuli by "
             f"a standard deviation of {duration(found.period_std_ns)}, {peaks} peak to peak{next_one}."]  # fmt: skip
    parts = [
        f"{which} were off by at most {said}"
        for which, state in zip(("half of them", "99 %"), order.strays.values(), strict=True)
        if (said := _within(state))
    ]
    if parts:
        said = listing(parts)
        lines.append(f"{said[0].upper()}{said[1:]}. Falling edges play no part in this.")
    return lines


def long_pulse_sentences(found: LongPulses | None) -> list[str]:
    """Pulses that stayed high too long."""
    if found is None:
        return []
    if not found.count:
        return [f"No long pulses: none of {found.pulses:,} lasted more than {duration(found.limit_ns)} (usual "
                f"{duration(found.median_ns)}, longest {duration(found.longest_ns)})."]  # fmt: skip
    part = _share(found.count, found.pulses, found.share)
    lines = [f"Long pulses: {found.count:,} of {found.pulses:,}, {part}, lasted more than {duration(found.limit_ns)} "
             f"(usual {duration(found.median_ns)}, longest {duration(found.longest_ns)}). The reaction time is not "
             "touched by that, but a machine that counts or times the pulse is."]  # fmt: skip
    if found.into_next:
        lines.append(f"{found.into_next:,} of these pulses were still high when the next stimulus came.")
    return lines


def _tolerance(found: Tolerance | None) -> list[str]:
    if found is None:
        return ["Not enough data for a tolerance bound: answers too few, or slow ones in groups."]
    groups = "if slow ones come alone"
    if found.together > 1:
        groups = f"if one disturbance holds up no more than {found.together:,}"
    return [f"Tolerance bound: with 95 % confidence, at least {100 * found.share:g} % of all answers under this "
            f"condition come within {duration(found.bound_ns)}, {groups}."]  # fmt: skip


def _share(part: int, whole: int, within: ProbabilityInterval | None) -> str:
    if within is None:
        return f"{share(part, whole)} (rough: they came in groups)"
    low, high = (share(round(end * _FINE), _FINE) for end in (within.low, within.high))
    return f"{share(part, whole)} (95 %: {low} to {high})"


def _within(state: QuantileEstimate | None) -> str:
    if state is None:
        return ""
    if state.rough:
        return f"{duration(state.value_ns)} ({ROUGH})"
    return f"{duration(state.value_ns)} (95 %: {duration(state.low_ns)} to {duration(state.high_ns)})"


def _signed(value_ns: float) -> str:
    return duration(value_ns) if value_ns < 0 else f"+{duration(value_ns)}"
