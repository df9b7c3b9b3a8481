"""Why answers of a run were late, and what all of them are like."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from edgereply.evaluation.cautions import cautions
from edgereply.evaluation.characteristics import as_dict as characteristics_dict
from edgereply.evaluation.characteristics import characterise
from edgereply.evaluation.description import describe
from edgereply.evaluation.evaluate import Evaluation
from edgereply.evaluation.explanation import (
    as_dict,
    began,
    context_sentences,
    explain_run,
    limit_words,
    relate_context,
    sentences,
)
from edgereply.evaluation.hold_up_words import hold_up_sentences, hold_ups_dict, not_recorded
from edgereply.evaluation.hold_ups import find_hold_ups
from edgereply.evaluation.load_view import evaluate_run
from edgereply.evaluation.lost_edges import LostEdges, lost_edges
from edgereply.storage.run_reader import RunReader


@dataclass(frozen=True, slots=True, eq=False)
class LateExplanation:
    """What late answers have in common, and what all answers are like; "no cause found" is an answer.

    Attributes:
        run: name of the run.
        evidence: grade of evidence.
        virtual: True where software wires or a virtual board took part.
        late: on late answers, in sentences, the first is the answer.
        alike: on all answers, in sentences.
        cautions: what limits the figures.
        lost: counts of edges on their way through the board; None where the board tells none.
        pairs: how close two edges may be, in sentences; none where the stimuli did not come in pairs.
    """

    run: str
    evidence: str
    virtual: bool
    late: tuple[str, ...]
    alike: tuple[str, ...]
    cautions: tuple[str, ...]
    found: dict[str, Any] = field(repr=False)
    result: Evaluation = field(repr=False)
    pairs: tuple[str, ...] = ()
    lost: LostEdges | None = None

    @property
    def sentences(self) -> tuple[str, ...]:
        """Everything in words: first on late answers, then on all of them."""
        # What all answers are like comes after what the late ones have in common, but for its first sentence.
        first = [f"All answers: {line[:1].lower()}{line[1:]}" for line in self.alike[:1]]
        return (*self.late, *self.pairs, *first, *self.alike[1:])

    def __str__(self) -> str:
        return "\n".join(self.sentences)

    def __repr__(self) -> str:
        return f"<{' '.join(self.late[:1])}{' (virtual)' if self.virtual else ''}>"

    def as_dict(self) -> dict[str, Any]:
        """JSON-ready, the document that `edgereply explain --json` prints; times in nanoseconds."""
        return {
            "run": self.run, "evidence": self.evidence, "virtual": self.virtual, **self.found,
            "sentences": {"late": list(self.late), "all": list(self.alike)}, "cautions": list(self.cautions),
            **({} if self.result.gaps is None else {"gaps": self.result.gaps.as_dict()}),
            **({} if self.lost is None else {"edges": self.lost.as_dict()}),
        }  # fmt: skip

    def _repr_html_(self) -> str:
        from edgereply.api.notebook import paragraphs

        return paragraphs(self.sentences, self.virtual)


def explain(directory: Path, name: str, late_above_ns: int | None = None) -> LateExplanation:
    """Look for what late answers of a run have in common.

    Args:
        directory: the run.
        name: what it is called.
        late_above_ns: what counts as late; chosen from the data when None.

    Raises:
        DataError: not a run, damaged, or altered.
    """
    reader = RunReader(directory)
    record = reader.record
    result = evaluate_run(reader, record.deadline_ns)
    explanation, alike = explain_run(result, late_above_ns), characterise(result, one_run=True)
    context = relate_context(result, explanation.late_above_ns, reader.context())
    held = find_hold_ups(reader, result, explanation)
    limit = limit_words(explanation, result, record.deadline_ns, chosen=late_above_ns is None)
    late = sentences(explanation, limit, began(result)) + context_sentences(context)
    late += hold_up_sentences(held) or list(filter(None, [not_recorded(record.in_effect)]))
    found = {**as_dict(explanation, context), "held_up": hold_ups_dict(held), **characteristics_dict(alike)}
    return LateExplanation(
        name, result.evidence, record.virtual, tuple(late), tuple(describe(alike)),
        tuple(cautions(record, result.counts)), found, result,
        () if result.gaps is None else tuple(result.gaps.sentences()), lost_edges(record),
    )  # fmt: skip
