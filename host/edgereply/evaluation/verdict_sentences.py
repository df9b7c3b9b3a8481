"""The verdict on a run in plain words: the answer first, then what it rests on and what it cannot see.

A bound holds for late answers in groups up to a size. One size is named at a time: of a pass the one that its first
sentence names, of anything else the one that the run itself leads one to allow for. Larger groups stand in a line of
their own, as what is not ruled out.
"""

from edgereply.analysis.statistics.tail_model import TailModel
from edgereply.analysis.statistics.verdict import UNSTATED_TARGET, Verdict, stimuli_needed
from edgereply.evaluation.phase_lock import lock_sentence
from edgereply.evaluation.verdict import Judgement
from edgereply.wording.numbers import duration, exactly, one_in, percentage, unclear_words, unobserved_words
from edgereply.wording.segments import segment_words


def sentences(judgement: Judgement) -> list[str]:
    """The verdict in plain words; the first sentence is the answer."""
    verdict = judgement.verdict
    deadline = exactly(verdict.deadline_ns)
    tolerated = "" if verdict.target is None else percentage(verdict.target)
    under = "" if judgement.condition is None else f", if {judgement.condition}"
    # The rule that is not stated rules out a share as well: named, it does not look stricter than one of 0.001.
    kept = (
        f"; at most the tolerated {tolerated} come late"
        if tolerated
        else f": none was late and {_at_most_unstated()} can be"
    )
    asked = f" with at most the tolerated {tolerated} late" if tolerated else ""
    said = {
        "pass": f"PASS: the deadline of {deadline} is kept{kept}{under}.",
        "fail": f"FAIL: the deadline of {deadline} is not kept"
        + (f"; more than the tolerated {tolerated} come late." if tolerated else "."),
        "not enough data": (
            f"NOT ENOUGH DATA to say whether the deadline of {deadline} is kept{asked}{_why(judgement)}."
        ),
    }
    lines = [
        said[judgement.outcome],
        f"{verdict.late:,} of {verdict.stimuli:,} stimuli were answered late or not at all.",
        _bound(judgement),
    ]
    lines.append(rule(verdict))
    lines += _turned(judgement)
    lines += _out_of_sight(judgement)
    if verdict.clustered:
        lines.append(
            f"Late answers come in groups, up to {verdict.largest_group:,} together, so the range is wider (effective "
            f"sample size {verdict.effective_stimuli:,.0f} of {verdict.stimuli:,})."
        )
    if judgement.near:
        lines.append(
            f"{judgement.near:,} answers are within {duration(judgement.near_ns)} of the deadline, nearer than the "
            "recording can tell: the verdict holds only where both readings of them agree."
        )
    if judgement.more_stimuli is not None:
        more = _stimuli(judgement.more_stimuli, judgement)
        lines.append(f"{more} would decide: {judgement.would} if the share of late answers stays as it is.")
    if judgement.outcome == "pass" and verdict.more_for_tens is not None:
        more = _stimuli(verdict.more_for_tens, judgement)
        lines.append(f"{more} would make it a pass for late answers in tens too, if their share stays as it is.")
    if judgement.late_segments:
        name, extra = max(judgement.late_segments.items(), key=lambda item: item[1])
        lines.append(
            f"Late answers lose their time mostly in {segment_words(name)}: {duration(extra)} more than usual."
        )
    if judgement.tail is not None:
        lines += tail_sentences(judgement.tail)
    return lines


def rule(verdict: Verdict) -> str:
    """What it takes to pass, in words."""
    if verdict.target is None:
        needed = stimuli_needed(UNSTATED_TARGET, verdict.confidence)
        return (
            f"Rule: no late answer in at least {needed:,} stimuli, which rules out more than {one_in(UNSTATED_TARGET)} "
            "late if late answers come alone; --exceed sets another share."
        )
    takes = f"it takes {stimuli_needed(verdict.target, verdict.confidence):,} stimuli without a late answer"
    return f"Rule: at most {one_in(verdict.target)} late; {takes}, more with some."


def _why(judgement: Judgement) -> str:
    """Why a run that is long enough decides nothing; nothing to say where it is too short."""
    if judgement.undecided is not None:
        return f": it hangs on {judgement.ambiguous + judgement.unobserved:,} answers that cannot be told"
    lock = judgement.lock
    if lock is None or judgement.verdict.outcome == "not enough data":
        return ""
    return f": its stimuli saw {100.0 * lock.covered:.0f} % of the cycle of the {lock.suspect}"


def _at_most_unstated() -> str:
    return f"at most 1 in {1.0 / UNSTATED_TARGET:,.0f}"


def _bound(judgement: Judgement) -> str:
    """The share of late answers, for groups of the size that the first sentence names, else of the size allowed for."""
    verdict = judgement.verdict
    least = f" and at least {one_in(verdict.lower_bound)}" if verdict.late else ""
    start = f"With {100 * verdict.confidence:g} % confidence the share of late answers is"
    if judgement.condition is not None and verdict.upper_bound_held is not None:
        return f"{start} then at most {one_in(verdict.upper_bound_held)}{least}."
    return f"{start} at most {one_in(verdict.upper_bound)}{least}, {_groups(verdict)}."


def _groups(verdict: Verdict) -> str:
    """For which groups of late answers a bound holds."""
    if verdict.together == 1:
        return "if they come alone"
    return f"if one disturbance makes no more than {verdict.together:,} of them"


def _out_of_sight(judgement: Judgement) -> list[str]:
    """What the run does not rule out."""
    verdict, out = judgement.verdict, judgement.verdict.rules_out
    lines = []
    if (verdict.holds_together or verdict.together) < 10:
        alone = f"{one_in(out.alone)} alone, " if verdict.together > 1 else ""
        lines.append(f"Not ruled out: {alone}{one_in(out.tens)} in tens, {one_in(out.hundreds)} in hundreds.")
    rarest = duration(verdict.rarest_stimuli * judgement.mean_interval_ns)
    lines.append(
        f"The run can only show disturbances that come once in {rarest} or more often: rarer ones may have been missed."
    )
    return lines


def _turned(judgement: Judgement) -> list[str]:
    """What was left out, or never seen, and whether the outcome hangs on it."""
    lines = []
    if judgement.lock is not None:
        lines.append(lock_sentence(judgement.lock))
        if judgement.outcome == "not enough data" and judgement.verdict.outcome != "not enough data":
            lines.append(
                "What the board does in the rest of that cycle was not measured, and more of the same will not."
            )
    if judgement.ambiguous:
        lines.append(f"Left out: {unclear_words(judgement.ambiguous)}.")
    if judgement.unobserved:
        lines.append(f"Left out: {unobserved_words(judgement.unobserved)}.")
    if judgement.undecided is not None:
        kept, lost = judgement.undecided
        hopeless = ""
        if judgement.more_stimuli is None:
            apart = ": stimuli further apart would each have an answer of their own" if judgement.crowded else ""
            hopeless = f" More of the same cannot decide it{apart}."
        lines.append(f"Were they all on time: {kept}; were they all late: {lost}.{hopeless}")
    return lines


def _stimuli(count: int, judgement: Judgement) -> str:
    seconds = count * judgement.mean_interval_ns
    stimuli = "1 more stimulus" if count == 1 else f"{count:,} more stimuli"
    return f"About {stimuli} ({duration(seconds)} at this rate)"


def tail_sentences(tail: TailModel) -> list[str]:
    """What a tail model says, or why it may not."""
    if tail.exceedance is None or tail.exceedance_upper is None:
        return [f"Tail model ({tail.kind}) refused: {tail.refused}"]
    said = f"Tail model ({tail.kind}): {_modelled(tail.exceedance)} of the answers come after the deadline"
    return [f"{said}, at most {_modelled(tail.exceedance_upper)} by its own bound.", *tail.warnings]


def _modelled(share: float) -> str:
    """A share that a model says; what it says beyond a billion answers is not worth its digits."""
    return one_in(share) if share >= 1e-9 else "less than 1 in a billion"
