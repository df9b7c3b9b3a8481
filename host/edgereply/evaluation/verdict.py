"""The verdict on a run: does the board keep its deadline, said with what the run can support."""

import math
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from edgereply.analysis.arrays.aliases import Bools
from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.analysis.pairing.result import unknown
from edgereply.analysis.statistics.tail_model import TailModel, model_tail
from edgereply.analysis.statistics.verdict import Outcome, Verdict, judge, judge_marks
from edgereply.errors import DataError, SettingError
from edgereply.evaluation.by_pieces import PieceByPiece
from edgereply.evaluation.evaluate import Evaluation
from edgereply.wording.numbers import duration, fraction, one_in, unclear_words, unobserved_words


@dataclass(frozen=True, slots=True)
class Judgement:
    """A verdict and what stands beside it.

    Attributes:
        outcome: pass, fail, or not enough data. Where ambiguous answers, or those that the instrument cannot tell from
            the deadline, could turn it, not enough data.
        verdict: without the ambiguous stimuli.
        ambiguous: how many stimuli were left out, since their answers cannot be told.
        tail: the model beyond the measured answers; None when not asked for.
        mean_interval_ns: between stimuli, to turn a number of stimuli into time.
        late_segments: by segment, median among late answers minus median among those on time.
        near: answers of an imported run so near the deadline that the instrument cannot tell their side.
        near_ns: how near that is.
        unobserved: stimuli left out, since the record ends before their answers could have come.
    """

    outcome: Outcome
    verdict: Verdict
    ambiguous: int
    tail: TailModel | None
    mean_interval_ns: int
    late_segments: dict[str, int]
    near: int = 0
    near_ns: int = 0
    unobserved: int = 0

    def as_dict(self) -> dict[str, Any]:
        """JSON-ready."""
        more = self.verdict.more_stimuli
        return {
            "outcome": self.outcome,
            **{key: value for key, value in asdict(self.verdict).items() if key != "outcome"},
            "ambiguous": self.ambiguous,
            "unobserved": self.unobserved,
            "near_deadline": self.near,
            "near_deadline_ns": self.near_ns,
            "more_s": None if more is None else more * self.mean_interval_ns / 1e9,
            "late_segments_ns": self.late_segments,
            "tail_model": None if self.tail is None else _tail_dict(self.tail),
        }


def judge_run(
    result: Evaluation, deadline_ns: int, confidence: float, exceed: float | None, with_tail: bool
) -> Judgement:
    """Judge an evaluated run.

    Args:
        result: of `evaluate`.
        deadline_ns: an answer later than this is late; a missed or coalesced stimulus counts as late.
        confidence: strictly within 0 to 1.
        exceed: tolerated share of late answers; None tolerates none.
        with_tail: fit a tail model too.

    Raises:
        SettingError: confidence or share out of range.
        DataError: the run has no stimuli.
    """
    check_shares(confidence, exceed)
    unclear = unknown(result.status)
    if unclear.all():
        raise _nothing_to_judge()
    answered = result.reaction_ns != NO_STAMP
    clear = ~unclear
    verdict = judge(result.reaction_ns[clear], answered[clear], deadline_ns, confidence, exceed)
    extremes = [verdict]
    if unclear.any():
        on_time = np.where(unclear, 0, result.reaction_ns)
        extremes = [
            judge(result.reaction_ns, answered, deadline_ns, confidence, exceed),
            judge(on_time, answered | unclear, deadline_ns, confidence, exceed),
        ]
    near_ns = 0 if result.known_to is None else math.ceil(result.known_to.expanded_ns(deadline_ns))
    near = answered & (np.abs(result.reaction_ns - deadline_ns) <= near_ns) & (near_ns > 0)
    sides = [
        judge(result.reaction_ns[clear], answered[clear], side, confidence, exceed).outcome
        for side in ((deadline_ns - near_ns, deadline_ns + near_ns) if near.any() else ())
    ]
    agreed = {*(extreme.outcome for extreme in extremes), *sides} == {verdict.outcome}
    outcome: Outcome = verdict.outcome if agreed else "not enough data"
    tail = model_tail(result.reaction_ns[answered], deadline_ns, confidence=confidence) if with_tail else None
    stimuli = result.stimulus_ns
    interval = int((stimuli[-1] - stimuli[0]) // max(1, len(stimuli) - 1))
    late = answered & (result.reaction_ns > deadline_ns)
    return Judgement(
        outcome, verdict, result.counts["ambiguous"], tail, interval,
        _late_segments(result, late, answered & ~late), int(np.count_nonzero(near)), near_ns,
        result.counts["unobserved"],
    )  # fmt: skip


def judge_pieces(found: PieceByPiece, confidence: float, exceed: float | None) -> Judgement:
    """Judge a run evaluated by pieces against the deadline that was counted; no tail model.

    Nothing in the verdict is approximate: it takes whether each stimulus was late, and that is known of each.

    Raises:
        SettingError: confidence or share out of range.
        DataError: the run has no stimuli.
    """
    check_shares(confidence, exceed)
    late = found.bits()
    if not late.count or found.deadline_ns is None or found.first_ns is None:
        raise _nothing_to_judge()
    verdict = judge_marks(late, found.deadline_ns, confidence, exceed)
    ambiguous, unobserved = found.counts["ambiguous"], found.counts["unobserved"]
    extremes = [verdict]
    if ambiguous or unobserved:
        extremes = [
            judge_marks(found.bits("late"), found.deadline_ns, confidence, exceed),
            judge_marks(found.bits("on time"), found.deadline_ns, confidence, exceed),
        ]
    agreed = all(extreme.outcome == verdict.outcome for extreme in extremes)
    outcome: Outcome = verdict.outcome if agreed else "not enough data"
    interval = (found.last_ns - found.first_ns) // max(1, found.counts["stimuli"] - 1)
    segments = {
        name: split.late.quantile(0.5) - split.usual.quantile(0.5)
        for name, split in found.segments.items()
        if split.late.count and split.usual.count
    }
    return Judgement(outcome, verdict, ambiguous, None, interval, segments, unobserved=unobserved)


def check_shares(confidence: float, exceed: float | None) -> None:
    """Refuse what is no share.

    Raises:
        SettingError: confidence, or a tolerated share that is given, is not strictly within 0 to 1.
    """
    for name, value in (("--confidence", confidence), ("--exceed", exceed)):
        if value is not None and not 0.0 < value < 1.0:
            raise SettingError(f"{value} is not strictly within 0 to 1", where=name, remedy="give 0.95, or 1e-5")


def _nothing_to_judge() -> DataError:
    return DataError("no stimulus of the run can be judged", where="verdict", remedy="measure again, slower")


def sentences(judgement: Judgement) -> list[str]:
    """The verdict in plain words; the first sentence is the answer."""
    verdict = judgement.verdict
    deadline = duration(verdict.deadline_ns)
    tolerated = "" if verdict.target is None else fraction(verdict.target)
    said = {
        "pass": f"PASS: the deadline of {deadline} is kept"
        + (f", up to the tolerated share of {tolerated}." if tolerated else "."),
        "fail": f"FAIL: the deadline of {deadline} is not kept"
        + (f", more than the tolerated share of {tolerated} come late." if tolerated else "."),
        "not enough data": f"NOT ENOUGH DATA to say whether the deadline of {deadline} is kept.",
    }
    lines = [
        said[judgement.outcome],
        f"{verdict.late:,} of {verdict.stimuli:,} stimuli were answered late or not at all.",
    ]
    lines.append(
        f"With {100 * verdict.confidence:g} % confidence the share of late answers is at most "
        f"{one_in(verdict.upper_bound)}" + (f" and at least {one_in(verdict.lower_bound)}." if verdict.late else ".")
    )
    lines.append(
        f"Tolerated: a share of {tolerated}."
        if tolerated
        else "Tolerated: no late answer at all; and a pass takes enough stimuli to rule out more than 1 in 100. "
        "The option --exceed tolerates a share."
    )
    if verdict.clustered:
        lines.append(
            f"Late answers cluster: the run is worth {verdict.effective_stimuli:,.0f} independent stimuli, "
            "and the bounds allow for it."
        )
    if judgement.ambiguous:
        lines.append(f"Left out: {unclear_words(judgement.ambiguous)}.")
    if judgement.unobserved:
        lines.append(f"Left out: {unobserved_words(judgement.unobserved)}.")
    if judgement.near:
        lines.append(
            f"{judgement.near:,} answers are within {duration(judgement.near_ns)} of the deadline, nearer than the "
            "recording can tell: the verdict holds only where both readings of them agree."
        )
    if verdict.more_stimuli is not None:
        seconds = verdict.more_stimuli * judgement.mean_interval_ns
        stimuli = "1 more stimulus" if verdict.more_stimuli == 1 else f"{verdict.more_stimuli:,} more stimuli"
        more = f"About {stimuli} ({duration(seconds)} at this rate)"
        lines.append(f"{more} would decide: {verdict.would} if the share of late answers stays as it is.")
    if judgement.late_segments:
        name, extra = max(judgement.late_segments.items(), key=lambda item: item[1])
        lines.append(
            f"Late answers lose their time mostly in {name.replace('_', ' ')}: {duration(extra)} more than usual."
        )
    if judgement.tail is not None:
        lines += tail_sentences(judgement.tail)
    return lines


def tail_sentences(tail: TailModel) -> list[str]:
    """What a tail model says, or why it may not."""
    if tail.refused is not None:
        return [f"Tail model ({tail.kind}) refused: {tail.refused}"]
    said = f"Tail model ({tail.kind}): one answer is later than the deadline with probability {tail.exceedance:.2g}"
    return [f"{said}, at most {tail.exceedance_upper:.2g} by its own bound.", *tail.warnings]


def _late_segments(result: Evaluation, late: Bools, usual: Bools) -> dict[str, int]:
    found = {}
    for name, values in result.segments.items():
        there = values != NO_STAMP
        if np.any(late & there) and np.any(usual & there):
            found[name] = int(np.median(values[late & there]) - np.median(values[usual & there]))
    return found


def _tail_dict(tail: TailModel) -> dict[str, Any]:
    return {
        "kind": tail.kind,
        "refused": tail.refused,
        "warnings": list(tail.warnings),
        "threshold_ns": tail.threshold_ns,
        "fit_p_value": tail.fit_p_value,
        "exceedance": tail.exceedance,
        "exceedance_upper": tail.exceedance_upper,
        "stability": [asdict(item) for item in tail.stability],
    }
