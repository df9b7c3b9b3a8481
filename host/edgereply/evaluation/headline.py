"""The first thing said about a run: is its deadline kept, how fast, and how many answers were not as they should be.

One dataclass for every way of showing it (terminal, page, a program of somebody's own), so that all of them use the
same words. Nothing here reads a file or knows a screen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from edgereply.evaluation.run_view import COMPLETE, RunView
from edgereply.evaluation.verdict import Judgement
from edgereply.evaluation.verdict_sentences import sentences as verdict_sentences
from edgereply.wording.evidence import grade_words
from edgereply.wording.numbers import NOTHING, clean, distinct, exactly, listing, share

HeadlineOutcome = Literal["pass", "fail", "not enough data", ""]
DEADLINE_WORDS: Final[Mapping[str, str]] = {
    "pass": "kept", "fail": "NOT KEPT", "not enough data": "not proven", "": "not judged",
}  # fmt: skip
NO_DEADLINE: Final = "no deadline"


@dataclass(frozen=True, slots=True, kw_only=True)
class Headline:
    """A run, or all runs of one condition, in a few figures and one sentence.

    Attributes:
        name: what was measured, any text.
        grade: grade of evidence with "virtual" before it where it is: "virtual · joined".
        outcome: of the deadline; "" where there is none or nothing was judged.
        answer: one sentence.
        best_ns, typical_ns, p99_ns, worst_ns: least, median, 99th percentile and greatest reaction time; None where
            nothing was answered, or too little for that figure.
        deadline_ns: the latest useful answer, or None.
        stimuli: sent.
        late, missed, coalesced: answered after the deadline; not at all; only together with another.
        unmatched: which answer is theirs cannot be told, so that they are in no figure of time.
        unobserved: not answered before the record ends, and not watched for long enough to be missed.
        spurious: pulses that answer no stimulus.
        cut: a sentence on what was not measured to its end; else "".
    """

    name: str
    grade: str
    outcome: HeadlineOutcome
    answer: str
    best_ns: int | None
    typical_ns: int | None
    p99_ns: int | None
    worst_ns: int | None
    deadline_ns: int | None
    stimuli: int
    late: int
    missed: int
    coalesced: int = 0
    unmatched: int = 0
    unobserved: int = 0
    spurious: int = 0
    cut: str = ""

    @property
    def clean_run(self) -> bool:
        """Whether every stimulus was answered in time by a pulse of its own, and the run ended as planned."""
        return not (
            self.late or self.missed or self.coalesced or self.unobserved or self.unmatched or self.spurious or self.cut
        )

    @property
    def deadline_word(self) -> str:
        """Whether the deadline is kept, in a word or two for a table."""
        return NO_DEADLINE if self.deadline_ns is None else DEADLINE_WORDS[self.outcome]

    def times(self) -> list[tuple[str, str]]:
        """Best, typical, 99 % and worst, each with its name.

        Figures that differ read different, and none that is past the deadline reads like it.
        """
        names = ("best", "typical", "99 % within", "worst")
        values = (self.best_ns, self.typical_ns, self.p99_ns, self.worst_ns)
        *said, _ = distinct(*values, self.deadline_ns)
        return [(name, text) for name, text in zip(names, said, strict=True) if text != NOTHING or name != names[2]]

    def trouble(self) -> list[str]:
        """What was not as it should be, in sentences; empty for a clean run."""
        went = [
            f"{number:,} {words} ({share(number, self.stimuli)})"
            for number, words in (
                (self.late, "answered late"),
                (self.missed, "not answered"),
                (self.coalesced, "answered only together with another"),
                (self.unobserved, "not watched to the end"),
                (self.unmatched, "not matched and NOT in the times"),
            )
            if number
        ]
        lines = [f"Of {self.stimuli:,} stimuli {listing(went)}."] if went else []
        if self.spurious:
            lines.append(f"{self.spurious:,} {'pulse' if self.spurious == 1 else 'pulses'} answered no stimulus.")
        if self.cut:
            lines.append(clean(self.cut))
        return lines

    def all_well(self) -> str:
        """That every stimulus was answered, where it was so; "" for a run with any trouble, or without a stimulus."""
        if not self.clean_run or not self.stimuli:
            return ""
        return f"All {self.stimuli:,} stimuli answered, none missed{'' if self.deadline_ns is None else ', none late'}."

    def lines(self) -> list[str]:
        """All of it as plain text: the answer, what was not as it should be, what was measured, and the times."""
        times = "   ".join(f"{name} {text}" for name, text in self.times())
        went = self.trouble() or list(filter(None, [self.all_well()]))
        return [self.answer, *went, f"{clean(self.name)} (measured by: {grade_words(self.grade)})", times]


def headline(view: RunView, verdict: Judgement | None = None) -> Headline:
    """The headline of a run.

    Args:
        view: the run.
        verdict: on it; None takes the one the view carries, if it carries one.

    Returns:
        The headline; its answer is the verdict's first sentence, or counts where nothing was judged.
    """
    said = list(view.judgement) if verdict is None else verdict_sentences(verdict)
    outcome = view.judged if verdict is None else verdict.outcome
    status = "" if view.status == COMPLETE else view.status
    counts = {**view.counts, "stimuli": view.stimuli, "late": int(view.late().sum())}
    return summary_headline(
        {**view.summary, **counts}, name=view.title, grade=view.grade, deadline_ns=view.deadline_ns, said=said,
        outcome=outcome, status=status,
    )  # fmt: skip


def summary_headline(
    summary: Mapping[str, Any], *, name: str, grade: str, deadline_ns: int | None, said: Sequence[str] = (),
    outcome: str = "", status: str = "",
) -> Headline:  # fmt: skip
    """The headline of what is known by its summary alone, such as a run evaluated by pieces.

    Args:
        summary: counts and `reaction`, as `--json` prints them.
        name: what was measured.
        grade: of evidence, with "virtual" where it is.
        deadline_ns: what `late` was counted by, or None.
        said: the verdict in sentences, the first of which is the answer; empty where nothing was judged.
        outcome: of that verdict, "" without.
        status: how the run ended, where it did not end as planned.
    """
    reaction = summary.get("reaction") or {}
    best, typical, p99, worst = (reaction.get(f"{key}_ns") for key in ("min", "median", "p99", "max"))
    count = {
        key: int(summary.get(key) or 0) for key in ("stimuli", "late", "missed", "coalesced", "unobserved", "ambiguous")
    }
    late = count["late"] if deadline_ns is not None else 0
    return Headline(
        name=name,
        grade=grade,
        outcome=_outcome(outcome),
        answer=said[0] if said else unjudged(count["stimuli"], reaction.get("count") or 0, late, deadline_ns),
        best_ns=best,
        typical_ns=typical,
        p99_ns=p99,
        worst_ns=worst,
        deadline_ns=deadline_ns,
        stimuli=count["stimuli"],
        late=late,
        missed=count["missed"],
        coalesced=count["coalesced"],
        unmatched=count["ambiguous"],
        unobserved=count["unobserved"],
        spurious=int(summary.get("spurious") or 0),
        cut=f"The run is {clean(status)}; the figures cover only what was recorded." if status else "",
    )


def unjudged(stimuli: int, answered: int, late: int, deadline_ns: int | None) -> str:
    """The answer where nothing was judged: counts, and why there is no verdict.

    Args:
        stimuli: sent.
        answered: with a reaction time.
        late: of these, after the deadline.
        deadline_ns: the deadline, or None.
    """
    if not stimuli:
        return "Nothing was measured."
    if deadline_ns is None:
        return f"{answered:,} of {stimuli:,} stimuli were answered; no deadline was set."
    in_time = answered - late
    return f"{in_time:,} of {stimuli:,} stimuli were answered within the deadline of {exactly(deadline_ns)}."


def _outcome(word: str) -> HeadlineOutcome:
    known: tuple[HeadlineOutcome, ...] = ("pass", "fail", "not enough data")
    return next((outcome for outcome in known if outcome == word), "")
