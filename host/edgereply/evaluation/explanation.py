"""An explanation of late answers in plain sentences with numbers."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

import numpy as np

from edgereply.analysis.arrays.aliases import Bools
from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.analysis.lateness.bursts import Burst
from edgereply.analysis.lateness.explain import Explanation, NamedPeriod, explain
from edgereply.analysis.lateness.interval_context import ContextSearch, relate
from edgereply.analysis.pairing.result import unknown
from edgereply.errors import DataError
from edgereply.evaluation.evaluate import Evaluation
from edgereply.evaluation.phase_lock import lock_sentence
from edgereply.wording.numbers import duration, exactly
from edgereply.wording.segments import segment_words

MOST_BURSTS = 5


def explainable(result: Evaluation) -> Bools:
    """Stimuli whose lateness is known and that have a stamp."""
    return np.asarray(~unknown(result.status) & (result.stimulus_ns != NO_STAMP), np.bool_)


def began(result: Evaluation) -> int | None:
    """The first stimulus with a stamp, by the clock that explanations speak of; None without one."""
    stamped = result.stimulus_ns[result.stimulus_ns != NO_STAMP]
    return int(stamped.min()) if stamped.size else None


def explain_run(result: Evaluation, late_above_ns: int | None) -> Explanation:
    """Look for what the late answers of an evaluated run have in common, among those that are `explainable`.

    Raises:
        DataError: nothing was answered.
    """
    clear = explainable(result)
    reaction = result.reaction_ns[clear]
    answered = reaction != NO_STAMP
    if not answered.any():
        raise DataError("nothing was answered: there are no late answers to explain", where="explain")
    return explain(
        result.stimulus_ns[clear],
        np.where(answered, reaction, 0),
        answered,
        late_above_ns=late_above_ns,
        segments_ns=_whole_segments(result, clear, answered),
    )


def relate_context(
    result: Evaluation, late_above_ns: int, readings: Sequence[Mapping[str, int]]
) -> ContextSearch | None:
    """Late answers of a joined run against the board's counters in the same seconds.

    Returns:
        None without enough readings, or where stimuli and board clock could not be joined.
    """
    names = set(readings[0]) if readings else set()
    for reading in readings[1:]:
        names &= set(reading)
    there = (result.edge_ns != NO_STAMP) & (result.reaction_ns != NO_STAMP)
    if not names or not there.any():
        return None
    columns = {name: np.array([reading[name] for reading in readings], np.int64) for name in sorted(names)}
    read_ns = columns.pop("board_ns")
    return relate(result.edge_ns[there], result.reaction_ns[there] > late_above_ns, read_ns, columns)


def context_sentences(search: ContextSearch | None) -> list[str]:
    """What goes with late answers on the board, in words."""
    if search is None:
        return []
    looked = f"{search.looked_at} counters of the board over {search.intervals} seconds"
    if not search.found:
        return [f"None of {looked} goes with the late answers."]
    lines = [f"Of {looked}, {len(search.found)} go with the late answers (an association, not yet a cause):"]
    for item in search.found[:5]:
        kind, _, name = item.name.partition(" ")
        unit = " /s" if kind == "count" else ""
        lines.append(
            f"  {name}: {item.when_late:,.4g}{unit} when answers were late, {item.usual:,.4g}{unit} usually "
            f"(rank correlation {item.correlation:+.2f}, p = {item.p_adjusted:.2g})"
        )
    return lines


def limit_words(explanation: Explanation, result: Evaluation, deadline_ns: int | None, chosen: bool) -> str:
    """What "late" means in an explanation, where that is not what the run's deadline says; else nothing.

    Args:
        explanation: of `explain_run`.
        result: what it was made of.
        deadline_ns: the run's; None where it has none.
        chosen: the limit was chosen from the data, since nobody gave one.
    """
    limit_ns = explanation.late_above_ns
    if limit_ns == deadline_ns:
        return ""
    words = f"Late means here: later than {duration(limit_ns)}" + (", a limit chosen from the data." if chosen else ".")
    if deadline_ns is None:
        return words if chosen else ""
    clear = explainable(result)
    reaction = result.reaction_ns[clear]
    past = int(np.count_nonzero((reaction == NO_STAMP) | (reaction > deadline_ns)))
    return f"{words} Past the deadline of {exactly(deadline_ns)} or missing: {past:,}."


def sentences(explanation: Explanation, limit: str = "", began_ns: int | None = None) -> list[str]:
    """The explanation in words; the first sentence is the answer.

    Args:
        explanation: of `explain_run`.
        limit: of `limit_words`, said after the answer.
        began_ns: the first stimulus by the source's clock, to say when in the run a burst was.
    """
    late = f"{explanation.late:,} answers later than {duration(explanation.late_above_ns)}, or missing"
    head: str = explanation.outcome
    named = [suspect.name for period in explanation.periods for suspect in period.suspects]
    if head == "cause found" and named and not explanation.aliased:
        head = f"cause found, {', or '.join(dict.fromkeys(named))}"
    elif head == "cause found" and not named:
        alone = "a slow start found" if explanation.slow_start else "bursts found, their cause not"
        head = "a period found, its cause not" if explanation.periods else alone
    lines = [f"{head[0].upper()}{head[1:]}: {late}.", *([limit] if limit else [])]
    if (start := explanation.slow_start) is not None:
        lines.append(
            f"A slow start: {start.late:,} of them are among the first {start.stimuli:,} stimuli, within "
            f"{duration(start.length_ns)}; the usual answer there was {duration(start.shift_ns)} slower. Warm up first."
        )
    for period in explanation.periods:
        lines += _period(period, explanation.aliased)
    lines += _bursts(explanation.bursts, began_ns)
    if explanation.outcome == "cause found" and explanation.unexplained:
        lines.append(f"{explanation.unexplained:,} of the late answers are in none of these.")
    if explanation.more_stimuli is not None:
        lines.append(f"It takes about {explanation.more_stimuli:,} more stimuli to have enough late answers.")
    if explanation.search.longest_ns:
        lines.append(
            f"Periods from {duration(explanation.search.shortest_ns)} to {duration(explanation.search.longest_ns)} "
            "were searched."
        )
    lines += [lock_sentence(lock) for lock in explanation.locks]
    lines += _segments(explanation)
    return lines


def as_dict(explanation: Explanation, context: ContextSearch | None = None) -> dict[str, Any]:
    """JSON-ready."""
    return {
        "outcome": explanation.outcome,
        "late_above_ns": explanation.late_above_ns,
        "late": explanation.late,
        "unexplained": explanation.unexplained,
        "aliased": explanation.aliased,
        "more_stimuli": explanation.more_stimuli,
        "slow_start": None if explanation.slow_start is None else asdict(explanation.slow_start),
        "periods": [_plain(asdict(period)) for period in explanation.periods],
        "bursts": [_plain(asdict(burst)) for burst in explanation.bursts],
        "locks": [_plain(asdict(lock)) | {"advice": lock_sentence(lock)} for lock in explanation.locks],
        "segments": None if explanation.segments is None else _plain(asdict(explanation.segments)),
        "context": None if context is None else _plain(asdict(context)),
    }


def _whole_segments(result: Evaluation, clear: Any, answered: Any) -> dict[str, Any] | None:
    if not result.segments:
        return None
    columns = {name: values[clear] for name, values in result.segments.items()}
    missing = np.zeros(len(answered), bool)
    for values in columns.values():
        missing |= values == NO_STAMP
    if np.any(missing & answered):
        columns = {name: np.where(missing, np.int64(np.median(v[~missing])), v) for name, v in columns.items()}
    parts = [name for name in columns if name != "hold"]
    return {name: columns[name] for name in parts}


def _bursts(bursts: Sequence[Burst], began_ns: int | None) -> list[str]:
    """One burst in a sentence; of several the largest, in order of time."""
    told = [
        f"{burst.late} late answers within {duration(burst.length_ns)}, {_when(burst.start_ns, began_ns)}"
        for burst in bursts
    ]
    if len(bursts) == 1:
        return [f"A burst: {told[0]}, and not again (by chance: at most {_chance(bursts[0].chance)})."]
    largest = sorted(sorted(range(len(bursts)), key=lambda n: -bursts[n].late)[:MOST_BURSTS])
    lines = [f"Burst: {told[n]}." for n in largest]
    if bursts:
        chance = max(burst.chance for burst in bursts)
        lines.insert(
            0,
            f"{len(bursts)} bursts of late answers, not at regular times (each by chance: at most {_chance(chance)}).",
        )
    if len(bursts) > MOST_BURSTS:
        lines.append(f"{len(bursts) - MOST_BURSTS} smaller bursts are in the JSON document of 'edgereply explain'.")
    return lines


def _when(start_ns: int, began_ns: int | None) -> str:
    by_clock = f"{start_ns / 1e9:.3f} s by the source's clock"
    return by_clock if began_ns is None else f"{(start_ns - began_ns) / 1e9:.3f} s into the run ({by_clock})"


def _period(period: NamedPeriod, aliased: bool) -> list[str]:
    finding = period.finding
    window = finding.window
    where = f"{_measured(finding.period_ns, finding.error_ns)}, by the source's clock"
    lines = [
        f"Late answers come every {where}, within {duration(window.width_ns)} of that time "
        f"(by chance: {_chance(finding.false_alarm)})."
    ]
    if period.delay_ns is not None:
        lines.append(f"There the median late answer came {duration(period.delay_ns)} later than usual.")
    if aliased:
        lines.append("The stimuli are periodic, so it may be a mirage of another period: measure with random arrivals.")
    elif period.suspects:
        lines.append("This fits: " + ", or ".join(suspect.name for suspect in period.suspects) + ".")
        lines += [f"To try: {suspect.remedy}" for suspect in period.suspects]
    else:
        lines.append("No known cause has this period within its error.")
    return lines


def _chance(p: float) -> str:
    """A probability in words, two significant digits: "0.3", "1 in 67,000", "less than 1 in a million"."""
    if p >= 0.1:
        return f"{p:.2g}"
    return f"1 in {int(float(f'{1 / p:.2g}')):,}" if p >= 1e-6 else "less than 1 in a million"


def _measured(period_ns: float, error_ns: float) -> str:
    """A period to a tenth of its error, and never finer than the nanosecond that stamps have."""
    finest = max(error_ns / 10.0, 1.0)
    digits = max(3, math.floor(math.log10(period_ns)) - math.floor(math.log10(finest)) + 1)
    return f"{duration(period_ns, digits)} (± {duration(error_ns, 2) if error_ns >= 1.0 else 'less than 1 ns'})"


def _segments(explanation: Explanation) -> list[str]:
    if explanation.segments is None:
        return []
    if explanation.segments.main is None:
        return ["The extra time of late answers is spread over several segments."]
    share = explanation.segments.shares[explanation.segments.main]
    place = segment_words(explanation.segments.main)
    return [
        f"The extra time of late answers is in the {place}: {100 * share.share:.3g} % of it "
        f"(95 %: {100 * share.low:.3g} % to {100 * share.high:.3g} %)."
    ]


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, np.ndarray):
        return value.tolist()
    return value.item() if isinstance(value, np.generic) else value
