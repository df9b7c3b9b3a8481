"""The verdict on a run: does the board keep its deadline, said with what the run can support."""

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from edgereply.analysis.arrays.aliases import Bools
from edgereply.analysis.arrays.bits import pack
from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.analysis.lateness.stimulus_lock import Lock
from edgereply.analysis.pairing.result import Status, unknown
from edgereply.analysis.statistics.tail_model import TailModel, model_tail
from edgereply.analysis.statistics.verdict import Outcome, Verdict, judge_marks
from edgereply.errors import DataError, SettingError
from edgereply.evaluation.by_pieces import PieceByPiece
from edgereply.evaluation.evaluate import Evaluation, crowded
from edgereply.evaluation.phase_lock import limiting_lock


@dataclass(frozen=True, slots=True)
class Judgement:
    """A verdict and what stands beside it.

    Attributes:
        outcome: pass, fail, or not enough data. Where answers that cannot be told, or that the instrument cannot tell
            from the deadline, or a rhythm of which the stimuli saw a part only, could turn it, not enough data.
        verdict: without the ambiguous stimuli.
        ambiguous: how many stimuli were left out, since their answers cannot be told.
        tail: the model beyond the measured answers; None when not asked for.
        mean_interval_ns: between stimuli, to turn a number of stimuli into time.
        late_segments: by segment, median among late answers minus median among those on time.
        near: answers of an imported run so near the deadline that the instrument cannot tell their side.
        near_ns: how near that is.
        unobserved: stimuli left out, since the record ends before their answers could have come.
        undecided: the outcomes with the answers that cannot be told all on time and all late, where these are not one.
        crowded: most of the ambiguous stimuli came so close to another that their answers mix.
        lock: the rhythm that the stimuli keep step with, and of which they saw a part only.
        more_stimuli: how many more would decide, however the answers left out are taken; None when decided, or where
            more of the same cannot decide.
        would: the outcome those would then give.
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
    undecided: tuple[Outcome, Outcome] | None = None
    crowded: bool = False
    lock: Lock | None = None
    more_stimuli: int | None = None
    would: Outcome | None = None

    @property
    def condition(self) -> str | None:
        """What a pass holds for, where it does not hold for everything that a run could have shown."""
        verdict = self.verdict
        if self.outcome != "pass" or not verdict.conditional or verdict.holds_together is None:
            return None
        if verdict.holds_together == 1:
            return "late answers come alone"
        return f"one disturbance makes no more than {verdict.holds_together:,} answers late"

    def as_dict(self) -> dict[str, Any]:
        """JSON-ready."""
        more, verdict = self.more_stimuli, self.verdict
        apart = ("outcome", "more_stimuli", "would")
        return {
            "outcome": self.outcome,
            "condition": self.condition,
            **{key: value for key, value in asdict(verdict).items() if key not in apart},
            "rarest_disturbance_s": verdict.rarest_stimuli * self.mean_interval_ns / 1e9,
            "more_stimuli": more,
            "would": self.would,
            "ambiguous": self.ambiguous,
            "unobserved": self.unobserved,
            "undecided": None if self.undecided is None else list(self.undecided),
            "near_deadline": self.near,
            "near_deadline_ns": self.near_ns,
            "more_s": None if more is None else more * self.mean_interval_ns / 1e9,
            "late_segments_ns": self.late_segments,
            "lock": None if self.lock is None else asdict(self.lock),
            "tail_model": None if self.tail is None else _tail_dict(self.tail),
        }


def judge_run(
    result: Evaluation,
    deadline_ns: int,
    confidence: float,
    exceed: float | None,
    with_tail: bool,
    together: int | None = None,
) -> Judgement:
    """Judge an evaluated run.

    Args:
        result: of `evaluate`.
        deadline_ns: an answer later than this is late; a missed or coalesced stimulus counts as late.
        confidence: strictly within 0 to 1.
        exceed: tolerated share of late answers; None tolerates none.
        with_tail: fit a tail model too.
        together: late answers that one disturbance may make; as the run shows, when None.

    Raises:
        SettingError: confidence, share or group out of range.
        DataError: the run has no stimuli.
    """
    check_shares(confidence, exceed, together)
    unclear = unknown(result.status)
    if unclear.all():
        raise _nothing_to_judge()
    answered = result.reaction_ns != NO_STAMP
    clear, left_out = ~unclear, int(np.count_nonzero(unclear))

    def at(limit_ns: int, taken: Bools, allowed: int | None = together, on_time: int = 0) -> Verdict:
        late = pack((~answered | (result.reaction_ns > limit_ns))[taken])
        return judge_marks(late, limit_ns, confidence, exceed, allowed, on_time)

    verdict = at(deadline_ns, clear)
    # The answers that cannot be told, all on time and all late. They come in groups of their own making, which say
    # nothing about disturbances: what is allowed for stays as the others have it.
    allowed = verdict.together
    kept = lost = verdict
    if left_out:
        kept, lost = at(deadline_ns, clear, allowed, left_out), at(deadline_ns, clear | unclear, allowed)
    near_ns = 0 if result.known_to is None else math.ceil(result.known_to.expanded_ns(deadline_ns))
    near = answered & (np.abs(result.reaction_ns - deadline_ns) <= near_ns) & (near_ns > 0)
    sides = [at(side, clear) for side in ((deadline_ns - near_ns, deadline_ns + near_ns) if near.any() else ())]
    stimuli = result.stimulus_ns
    late = answered & (result.reaction_ns > deadline_ns)
    ambiguous = int(np.count_nonzero(result.status == Status.AMBIGUOUS))
    beside = Judgement(
        verdict.outcome, verdict, ambiguous,
        model_tail(result.reaction_ns[answered], deadline_ns, confidence=confidence) if with_tail else None,
        int((stimuli[-1] - stimuli[0]) // max(1, len(stimuli) - 1)),
        _late_segments(result, late, answered & ~late), int(np.count_nonzero(near)), near_ns,
        int(np.count_nonzero(result.status == Status.UNOBSERVED)), lock=limiting_lock(stimuli),
        crowded=2 * crowded(stimuli, result.status, result.reaction_ns) > ambiguous,
    )  # fmt: skip
    return _weighed(beside, kept, lost, sides)


def judge_pieces(
    found: PieceByPiece,
    confidence: float,
    exceed: float | None,
    together: int | None = None,
    lock: Lock | None = None,
) -> Judgement:
    """Judge a run evaluated by pieces against the deadline that was counted; no tail model.

    Nothing in the verdict is approximate: it takes whether each stimulus was late, and that is known of each.

    Args:
        found: of `evaluate_by_pieces`.
        confidence: strictly within 0 to 1.
        exceed: tolerated share of late answers; None tolerates none.
        together: late answers that one disturbance may make; as the run shows, when None.
        lock: of `limiting_lock` on the stimuli with which the run begins.

    Raises:
        SettingError: confidence, share or group out of range.
        DataError: the run has no stimuli.
    """
    check_shares(confidence, exceed, together)
    late = found.bits()
    if not late.count or found.deadline_ns is None or found.first_ns is None:
        raise _nothing_to_judge()
    verdict = kept = lost = judge_marks(late, found.deadline_ns, confidence, exceed, together)
    ambiguous, unobserved = found.counts["ambiguous"], found.counts["unobserved"]
    if ambiguous or unobserved:
        allowed = verdict.together
        kept = judge_marks(found.bits("on time"), found.deadline_ns, confidence, exceed, allowed)
        lost = judge_marks(found.bits("late"), found.deadline_ns, confidence, exceed, allowed)
    segments = {
        name: split.late.quantile(0.5) - split.usual.quantile(0.5)
        for name, split in found.segments.items()
        if split.late.count and split.usual.count
    }
    interval = (found.last_ns - found.first_ns) // max(1, found.counts["stimuli"] - 1)
    beside = Judgement(
        verdict.outcome, verdict, ambiguous, None, interval, segments, unobserved=unobserved, lock=lock,
        crowded=2 * found.crowded > ambiguous,
    )  # fmt: skip
    return _weighed(beside, kept, lost, [])


def _weighed(beside: Judgement, kept: Verdict, lost: Verdict, sides: Sequence[Verdict]) -> Judgement:
    """The outcome that all readings of the run agree on, and how much more of the same would make them agree.

    Args:
        beside: with the verdict on the answers that are known, and the lock.
        kept: the verdict with all answers that cannot be told on time.
        lost: the same with all of them late.
        sides: verdicts at either side of what the instrument knows of the deadline.
    """
    readings = [beside.verdict, kept, lost, *sides]
    outcome: Outcome = beside.verdict.outcome
    if any(reading.outcome != outcome for reading in readings):
        outcome = "not enough data"
    elif beside.lock is not None and _hangs_on(beside.lock, outcome, readings):
        return replace(beside, outcome="not enough data")
    undecided = (kept.outcome, lost.outcome) if kept.outcome != lost.outcome else None
    if outcome != "not enough data":
        held = [(v.holds_together, -(v.upper_bound_held or 1.0)) for v in readings if v.holds_together is not None]
        if not held:
            return replace(beside, outcome=outcome)
        together, bound = min(held)
        verdict = replace(beside.verdict, holds_together=together, upper_bound_held=-bound)
        return replace(beside, outcome=outcome, verdict=verdict)
    # A reading that is decided stays so, as far as a longer run is like this one.
    heads = {reading.outcome if reading.would is None else reading.would for reading in readings}
    if len(heads) != 1 or heads == {"not enough data"} or beside.lock is not None:
        return replace(beside, outcome=outcome, undecided=undecided)
    more = max(reading.more_stimuli or 0 for reading in readings)
    return replace(beside, outcome=outcome, undecided=undecided, more_stimuli=more, would=heads.pop())


def _hangs_on(lock: Lock, outcome: Outcome, readings: Sequence[Verdict]) -> bool:
    """Whether what the board does in the part of a cycle that no stimulus saw could turn the outcome.

    A pass always. A fail with a tolerated share, unless the part that was seen makes it up alone: the rest of the
    cycle may be without a late answer.
    """
    if outcome != "fail":
        return outcome == "pass"
    return any(v.target is not None and v.lower_bound * lock.covered <= v.target for v in readings)


def check_shares(confidence: float, exceed: float | None, together: int | None = None) -> None:
    """Refuse what is no share, and a group of no answers.

    Raises:
        SettingError: confidence, or a tolerated share that is given, is not strictly within 0 to 1; a group below 1.
    """
    if together is not None and together < 1:
        raise SettingError(f"{together} is no number of late answers", where="--together", remedy="give 1 or more")
    for name, value in (("--confidence", confidence), ("--exceed", exceed)):
        if value is not None and not 0.0 < value < 1.0:
            raise SettingError(f"{value} is not strictly within 0 to 1", where=name, remedy="give 0.95, or 1e-5")


def _nothing_to_judge() -> DataError:
    return DataError("no stimulus of the run can be judged", where="verdict", remedy="measure again, slower")


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
