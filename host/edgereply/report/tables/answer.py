"""The answer of a run in words: whether the deadline is kept, how fast, how steady."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from edgereply.evaluation.run_view import COMPLETE, RunView
from edgereply.wording.numbers import clean, distinct, duration, exactly, quantile

EVIDENCE: Final = {
    "loop-back": "Stimulus and response were timed by the pulse source's one clock.",
    "inside": "These are the board's own stamps, from the kernel's event stamp to the high level written; "
    "what happens outside its software is not in them.",
    "joined": "Reaction times were timed by the pulse source's one clock; the segments come from the board's own "
    "stamps, paired pulse by pulse.",
    "imported": "The edges were taken from a recording made with another instrument.",
}
VIRTUAL: Final = (
    "Virtual: software wires or a virtual board took part. It shows how the bench works, not how fast a board is."
)

AnswerOutcome = Literal["pass", "fail", "open"]
_OUTCOMES: Final[dict[str, AnswerOutcome]] = {"pass": "pass", "fail": "fail"}


@dataclass(frozen=True, slots=True)
class Answer:
    """The answer in words.

    Attributes:
        outcome: of the deadline; "open" where there is none, or too little was measured.
        headline: one short sentence.
        details: further sentences.
    """

    outcome: AnswerOutcome
    headline: str
    details: tuple[str, ...]


def answer(view: RunView) -> Answer:
    """Whether the deadline is kept, how fast, and how steady.

    Args:
        view: the run.

    Returns:
        Sentences.
    """
    values = view.answers()
    speed = _speed(view, int(values.max()), values.size) if values.size else []
    headline, *more = view.judgement or [_unjudged(view, values.size)]
    cut: list[str] = []
    if view.status != COMPLETE:
        cut.append(f"The run is {clean(view.status)}; these figures cover only what was recorded.")
    return Answer(_OUTCOMES.get(view.judged, "open"), headline, (*cut, *more, *speed))


def _unjudged(view: RunView, count: int) -> str:
    if not view.stimuli:
        return "Nothing was measured."
    answered = f"{count:,} of {view.stimuli:,} stimuli answered"
    if view.deadline_ns is None:
        return f"{answered}; no deadline was set."
    return f"{answered}; the deadline of {exactly(view.deadline_ns)} was not judged."


def _speed(view: RunView, slowest: int, count: int) -> list[str]:
    reaction = view.summary.get("reaction") or {}
    median, top = distinct(reaction.get("median_ns"), slowest)
    if reaction.get("median_ns") is None:
        fast = f"How fast: too few answers for a median ({quantile(reaction, 'median_ns')})"
    else:
        fast = f"How fast: half of the answers came within {median}"
    if reaction.get("p99_9_ns") is not None:
        fast += f", 99.9 % within {duration(reaction['p99_9_ns'])}"
    return [
        f"{fast}; the slowest of {count:,} took {top}.",
        f"How steady: jitter {quantile(reaction, 'peak_to_peak_ns')} peak-to-peak, "
        f"{quantile(reaction, 'std_ns')} standard deviation, tail spread {quantile(reaction, 'tail_spread_ns')}.",
    ]
