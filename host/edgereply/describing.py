"""What is remarkable about the answers of a run, put into sentences with numbers."""

import numpy as np
from numpy.typing import NDArray

from edgereply.analysis.dependence import Dependence, measure_dependence
from edgereply.analysis.drift import Drift, WarmUp, find_drift, find_warm_up
from edgereply.analysis.modes import Mode, find_modes
from edgereply.analysis.pulses import LongPulses
from edgereply.report.text import duration, listing

Int64s = NDArray[np.int64]

_COUNTED = ("no", "one", "two", "three", "four", "five", "six")


def describe(reaction_ns: Int64s, stimulus_ns: Int64s, one_run: bool) -> list[str]:
    """Modes, and for a single run warm-up, drift and dependence.

    Args:
        reaction_ns: shape (n,), int64, answered stimuli only, in order of time.
        stimulus_ns: shape (n,), int64, when each was asked for.
        one_run: False for rounds put together, whose order says nothing about a run.
    """
    if not reaction_ns.size:
        return []
    lines = mode_sentences(find_modes(reaction_ns))
    if not one_run:
        return lines
    lines += warm_up_sentences(find_warm_up(reaction_ns), reaction_ns.size)
    lines += drift_sentences(find_drift(reaction_ns, stimulus_ns), float(stimulus_ns[-1] - stimulus_ns[0]) / 1e9)
    return lines + dependence_sentences(measure_dependence(reaction_ns), reaction_ns.size)


def mode_sentences(modes: tuple[Mode, ...]) -> list[str]:
    """Usual reaction times, one or several."""
    if not modes:
        return []
    if len(modes) == 1:
        [mode] = modes
        return [f"One usual reaction time: densest at {duration(mode.peak_ns)}, eight in ten answers from "
                f"{duration(mode.p10_ns)} to {duration(mode.p90_ns)}."]  # fmt: skip
    parts = [f"{mode.share:.2g} of the answers around {duration(mode.peak_ns)}" for mode in modes]
    count = _COUNTED[len(modes)] if len(modes) < len(_COUNTED) else str(len(modes))
    return [f"{count.capitalize()} usual reaction times: {listing(parts)}. The board answers from several states."]


def warm_up_sentences(found: WarmUp, answers: int) -> list[str]:
    """Whether the start belongs to another regime."""
    if not found.count:
        return ["No warm-up: the first answers are like the rest."] if answers >= 100 else []
    word = "slower" if found.shift_ns > 0 else "faster"
    return [f"Warm-up: the first {found.count:,} answers were {duration(abs(found.shift_ns))} {word} than the rest "
            f"(p = {found.p_value:.2g}). All figures include them; warm up first to keep them out."]  # fmt: skip


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
    return [f"Answers depend on their neighbours: for the mean, the {answers:,} are worth about "
            f"{found.effective_count:,.0f} independent ones."]  # fmt: skip


def long_pulse_sentences(found: LongPulses | None) -> list[str]:
    """Pulses that stayed high too long."""
    if found is None or not found.count:
        return []
    return [f"Long pulses: {found.count:,} of {found.pulses:,} lasted more than {duration(found.limit_ns)} (usual "
            f"{duration(found.median_ns)}, longest {duration(found.longest_ns)}). The reaction time is not touched by "
            "that, but a machine that counts or times the pulse is."]  # fmt: skip


def _signed(value_ns: float) -> str:
    return duration(value_ns) if value_ns < 0 else f"+{duration(value_ns)}"
