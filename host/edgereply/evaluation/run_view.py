"""What a report or a table is made from: one run as plain values and arrays."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Int64s
from edgereply.analysis.arrays.presence import NO_STAMP, present
from edgereply.evaluation.gaps import Gaps
from edgereply.evaluation.hold_ups import HoldUps
from edgereply.storage.run_record import graded

COMPLETE: Final = "complete"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Folded:
    """A period that late answers keep, and the run folded at it.

    Attributes:
        period_ns: length of the cycle.
        error_ns: its standard error.
        origin_ns: time of the stimulus at phase 0.
        late_above_ns: later answers, and missing ones, count as late here.
        start_ns: where the window of late answers starts, from phase 0, below the period.
        width_ns: how long that window lasts; it may reach past the end of the cycle.
        stimuli: shape (bins,), int64, stimuli by phase.
        late: shape (bins,), int64, late ones by phase.
    """

    period_ns: float
    error_ns: float
    origin_ns: int
    late_above_ns: int
    start_ns: float
    width_ns: float
    stimuli: Int64s
    late: Int64s


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RunView:
    """One run, ready to be shown.

    Attributes:
        title: name of the run, any text; escaped where it is shown.
        evidence: grade of evidence: loop-back, inside, joined or imported.
        virtual: True where software wires or a virtual board took part.
        condition_requested: settings asked for; may be nested.
        condition_in_effect: settings as they took effect; same keys where both exist.
        environment: facts about the board and the laptop; may be nested.
        counts: stimuli, responses, missed, spurious, coalesced, late.
        summary: the summary as `--json` prints it.
        reaction_ns: shape (n,), int64, one a stimulus; NO_STAMP where it was not answered.
        stimulus_ns: shape (n,), int64, when each stimulus happened, rising.
        pulse_width_ns: shape (n,), int64; NO_STAMP where there is none.
        segments: by name, shape (n,), int64 in stimulus order; NO_STAMP where there is none.
        deadline_ns: latest useful answer, or None.
        status: "complete", or how the run ended.
        repeat: commands that repeat the run.
        notes: remarks on the data.
        cautions: warnings that belong to this run.
        wiring: pairs (from, to).
        judged: "pass", "fail" or "not enough data"; "" without a deadline.
        judgement: the same in sentences, the first is the answer.
        findings: what is remarkable about the answers, in sentences.
        folds: periods of late answers, strongest first.
        hold_ups: who held up late answers; None where that was not recorded.
        axes: what a series varied, and this run's value of each.
        bench: contents of a bench file that repeats the run, "" where none can be given.
        tool: program and version that measured it.
        pooled: how many runs were put together, end to end; 1 for a run.
        gaps: what became of its pairs; None where its stimuli came otherwise.
    """

    title: str
    evidence: str
    virtual: bool
    condition_requested: Mapping[str, Any]
    condition_in_effect: Mapping[str, Any]
    environment: Mapping[str, Any]
    counts: Mapping[str, int]
    summary: Mapping[str, Any]
    reaction_ns: Int64s
    stimulus_ns: Int64s
    pulse_width_ns: Int64s
    segments: Mapping[str, Int64s] = field(default_factory=dict)
    deadline_ns: int | None = None
    status: str = COMPLETE
    repeat: Sequence[str] = ()
    notes: Sequence[str] = ()
    cautions: Sequence[str] = ()
    wiring: Sequence[tuple[str, str]] = ()
    judged: str = ""
    judgement: Sequence[str] = ()
    findings: Sequence[str] = ()
    folds: Sequence[Folded] = ()
    hold_ups: HoldUps | None = None
    axes: Mapping[str, str] = field(default_factory=dict)
    bench: str = ""
    tool: str = ""
    pooled: int = 1
    gaps: Gaps | None = None
    _kept: dict[str, Int64s] = field(init=False, repr=False, default_factory=dict)

    def __post_init__(self) -> None:
        columns = {
            "reaction_ns": self.reaction_ns,
            "stimulus_ns": self.stimulus_ns,
            "pulse_width_ns": self.pulse_width_ns,
            **{f"segment {name}": values for name, values in self.segments.items()},
        }
        for name, values in columns.items():
            if values.dtype != np.int64 or values.shape != self.stimulus_ns.shape or values.ndim != 1:
                raise ValueError(
                    f"{name} must be int64 with one value a stimulus ({self.stimulus_ns.size}), "
                    f"got {values.dtype} {values.shape}"
                )

    @property
    def grade(self) -> str:
        """Grade of evidence as it stands beside every figure: "loop-back", "virtual · loop-back"."""
        return graded(self.evidence, self.virtual)

    @property
    def stimuli(self) -> int:
        """Number of stimuli sent; more than there are rows where the board never saw some."""
        return max(int(self.stimulus_ns.size), self.counts.get("stimuli", 0))

    def answered(self) -> Bools:
        """Which rows have a reaction time; shape (n,)."""
        answered: Bools = self.reaction_ns != NO_STAMP
        return answered

    def answers(self) -> Int64s:
        """Reaction times of the stimuli that were answered, in order of time; found once."""
        if "answers" not in self._kept:
            self._kept["answers"] = present(self.reaction_ns)
        return self._kept["answers"]

    def timeline(self) -> tuple[Int64s, Int64s]:
        """Time from the first stimulus (rising) and reaction time, for rows whose stimulus has a stamp."""
        stamped = self.stimulus_ns != NO_STAMP
        if not stamped.any():
            return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
        at, reaction = self.stimulus_ns, self.reaction_ns
        if not stamped.all():
            at, reaction = at[stamped], reaction[stamped]
        if (at[1:] < at[:-1]).any():
            order = np.argsort(at, kind="stable")
            at, reaction = at[order], reaction[order]
        return at - at[0], reaction

    def late(self) -> Bools:
        """Which rows were answered after the deadline; shape (n,), all False without a deadline."""
        if self.deadline_ns is None:
            return np.zeros(self.reaction_ns.shape, dtype=np.bool_)
        late: Bools = self.answered() & (self.reaction_ns > self.deadline_ns)
        return late


def letter(index: int) -> str:
    """Short name of a run on a page or in a table: A, B, ... Z, A2, B2, ..."""
    return chr(ord("A") + index % 26) + (str(index // 26 + 1) if index >= 26 else "")


def flatten(settings: Mapping[str, Any], before: str = "") -> dict[str, str]:
    """Nested settings as one level of text.

    Args:
        settings: JSON-like values.
        before: joined to every key with a dot.

    Returns:
        Dotted key to text; None is "none", booleans are "yes" and "no".
    """
    flat: dict[str, str] = {}
    for key, value in settings.items():
        name = f"{before}.{key}" if before else str(key)
        if isinstance(value, Mapping):
            flat.update(flatten(value, name))
        else:
            flat[name] = _plain(value)
    return flat


def _plain(value: Any) -> str:
    if value is None:
        return "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list | tuple):
        return ", ".join(_plain(part) for part in value) or "none"
    return str(value)
