"""Whether a run keeps a deadline."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from edgereply.errors import SettingError
from edgereply.evaluation.by_pieces import PieceByPiece, evaluate_by_pieces, goes_by_pieces
from edgereply.evaluation.evaluate import Evaluation
from edgereply.evaluation.load_view import evaluate_run
from edgereply.evaluation.phase_lock import first_stimuli, limiting_lock
from edgereply.evaluation.verdict import Judgement, judge_pieces, judge_run
from edgereply.evaluation.verdict_sentences import sentences as in_sentences
from edgereply.storage.run_reader import RunReader

CONFIDENCE: Final = 0.95


@dataclass(frozen=True, slots=True, eq=False)
class DeadlineVerdict:
    """A verdict; true where it is a pass, so that a test may assert it.

    Attributes:
        run: name of the run.
        evidence: grade of evidence: loop-back, inside, joined or imported.
        virtual: True where software wires or a virtual board took part.
        sentences: the verdict in words, the first is the answer.
    """

    run: str
    evidence: str
    virtual: bool
    sentences: tuple[str, ...]
    judgement: Judgement = field(repr=False)
    result: Evaluation | None = field(repr=False)
    pieces: PieceByPiece | None = field(repr=False)

    @property
    def outcome(self) -> str:
        """ "pass", "fail" or "not enough data"."""
        return self.judgement.outcome

    @property
    def passed(self) -> bool:
        """Whether it is a pass; too little data is none."""
        return self.judgement.outcome == "pass"

    def __bool__(self) -> bool:
        return self.passed

    def __str__(self) -> str:
        return "\n".join(("(virtual) " if self.virtual and not place else "") + line
                         for place, line in enumerate(self.sentences))  # fmt: skip

    def __repr__(self) -> str:
        return f"<{self.outcome}: {' '.join(self.sentences[:1])}{' (virtual)' if self.virtual else ''}>"

    def as_dict(self) -> dict[str, Any]:
        """JSON-ready, the document that `edgereply verdict --json` prints; times in integer nanoseconds."""
        known = {"run": self.run, "evidence": self.evidence, "virtual": self.virtual, **self.judgement.as_dict()}
        if self.pieces is None:
            return known
        summary = self.pieces.summary(self.virtual)
        return {**known, "by_pieces": summary["by_pieces"], "summary": summary}

    def _repr_html_(self) -> str:
        from edgereply.api.notebook import paragraphs

        return paragraphs(self.sentences, self.virtual)


def judge(
    directory: Path, name: str, deadline_ns: int | None = None, exceed: float | None = None,
    confidence: float = CONFIDENCE, together: int | None = None, tail: bool = False, by_pieces: bool | None = None,
) -> DeadlineVerdict:  # fmt: skip
    """Judge a deadline from the raw stamps of a run.

    Args:
        directory: the run.
        name: what it is called.
        deadline_ns: the latest answer of use; the run's own when None.
        exceed: tolerated share of late answers; when None, none may be late of at least 299.
        confidence: of every bound, strictly within 0 to 1.
        together: late answers that one disturbance may make; as the run shows, when None.
        tail: fit a model to the slow end too.
        by_pieces: True with little memory and approximate quantiles, False as a whole; None by the run's length.

    Raises:
        SettingError: there is no deadline, or a value is out of range.
        DataError: not a run, damaged, or without stimuli.
    """
    reader = RunReader(directory)
    record = reader.record
    deadline_ns = record.deadline_ns if deadline_ns is None else deadline_ns
    if deadline_ns is None:
        raise SettingError("there is no deadline to judge", where=name, remedy="give one with --deadline 2ms")
    if not goes_by_pieces(reader, by_pieces):
        result = evaluate_run(reader, deadline_ns)
        found = judge_run(result, deadline_ns, confidence, exceed, tail, together)
        return DeadlineVerdict(
            name, result.evidence, record.virtual, tuple(in_sentences(found)), found, result, None
        )  # fmt: skip
    if tail:
        raise SettingError(
            "a tail model takes all answers at once", where="--tail", remedy="leave it out, or add --whole"
        )
    pieces = evaluate_by_pieces(reader, deadline_ns)
    lock = limiting_lock(first_stimuli(reader.source_parts()))
    found = judge_pieces(pieces, confidence, exceed, together, lock)
    return DeadlineVerdict(name, pieces.evidence, record.virtual, tuple(in_sentences(found)), found, None, pieces)
