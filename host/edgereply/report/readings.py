"""What the figures say, in sentences and short tables: for people who do not see them, and for print."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final, Literal

import numpy as np

from edgereply.analysis.intervals import probability_upper_bound
from edgereply.analysis.verdict import judge
from edgereply.report import density
from edgereply.report.rows import segment_label, segment_names
from edgereply.report.text import clean, distinct, duration, exactly, listing, quantile, share
from edgereply.report.view import COMPLETE, NO_STAMP, RunView, letter, present

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

Outcome = Literal["met", "exceeded", "open"]


@dataclass(frozen=True, slots=True)
class Verdict:
    """The answer in words.

    Attributes:
        outcome: of the deadline; "open" where there is none or nothing was measured.
        headline: one short sentence.
        details: further sentences.
    """

    outcome: Outcome
    headline: str
    details: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Reading:
    """A figure in words.

    Attributes:
        sentence: what it shows.
        header: of the data table.
        rows: cells, the first is the row's own heading.
    """

    sentence: str
    header: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = field(default_factory=tuple)


def verdict(view: RunView) -> Verdict:
    """How fast, how steady, and whether the deadline was met.

    Args:
        view: the run.

    Returns:
        Sentences.
    """
    reaction = view.summary.get("reaction") or {}
    values = present(view.reaction_ns)
    details: list[str] = []
    if view.status != COMPLETE:
        details.append(f"The run is {clean(view.status)}; these figures cover only what was recorded.")
    if values.size == 0:
        none = f"None of {view.stimuli:,} stimuli was answered." if view.stimuli else "Nothing was measured."
        return Verdict("open" if view.deadline_ns is None or not view.stimuli else "exceeded", none, tuple(details))
    slowest = int(values.max())
    median, top = distinct(reaction.get("median_ns"), slowest)
    fast = (
        f"How fast: half of the answers came within {median}" if reaction.get("median_ns") is not None else "How fast: "
    )
    fast += (
        ""
        if reaction.get("median_ns") is not None
        else f"too few answers for a median ({quantile(reaction, 'median_ns')})"
    )
    if reaction.get("p99_9_ns") is not None:
        fast += f", 99.9 % within {duration(reaction['p99_9_ns'])}"
    details.append(f"{fast}; the slowest of {values.size:,} took {top}.")
    details.append(
        f"How steady: jitter {quantile(reaction, 'peak_to_peak_ns')} peak-to-peak, "
        f"{quantile(reaction, 'std_ns')} standard deviation, tail spread {quantile(reaction, 'tail_spread_ns')}."
    )
    if view.deadline_ns is None:
        return Verdict(
            "open", f"{values.size:,} of {view.stimuli:,} stimuli answered; no deadline was set.", tuple(details)
        )
    outcome, headline, more = _deadline(view, view.deadline_ns, slowest)
    return Verdict(outcome, headline, (*details, more))


def _deadline(view: RunView, deadline_ns: int, slowest: int) -> tuple[Outcome, str, str]:
    late = int(view.late().sum())
    unanswered = view.stimuli - int(view.answered().sum())
    failed, wanted = late + unanswered, exactly(deadline_ns)
    if failed == 0:
        bound = 100 * probability_upper_bound(0, view.stimuli)
        return (
            "met",
            f"Deadline of {wanted} met by all {view.stimuli:,} stimuli.",
            f"At 95 % confidence fewer than {bound:.2g} % of stimuli would miss it, provided that answers do not "
            "depend on each other and the conditions stay as they were.",
        )
    reasons = [f"{late:,} late"] if late else []
    reasons += [f"{unanswered:,} without an answer of their own"] if unanswered else []
    judged = judge(view.reaction_ns, view.answered(), deadline_ns)
    limits = judged.interval
    clustered = (
        f" They cluster: the run is worth {judged.effective_stimuli:,.0f} independent stimuli, and the limits allow "
        "for it."
        if judged.clustered
        else ""
    )
    top, against = distinct(slowest, deadline_ns)
    worst = f"The slowest answer took {top} against {against}. " if late else ""
    return (
        "exceeded",
        f"Deadline of {wanted} not met by {failed:,} of {view.stimuli:,} stimuli: {listing(reasons)}.",
        f"{worst}That is {share(failed, view.stimuli)}; at 95 % confidence between {100 * limits.low:.2g} % and "
        f"{100 * limits.high:.2g} %.{clustered}",
    )


def distribution(views: Sequence[RunView]) -> Reading:
    """The distribution as at most a dozen bins."""
    samples = [present(view.reaction_ns) for view in views]
    edges, _ = density.shared_edges(samples, 12)
    counts = [density.counts_between(sample, edges) for sample in samples]
    rows = tuple(
        (f"{duration(int(low))} to {duration(int(high))}", *(f"{int(count[i]):,}" for count in counts))
        for i, (low, high) in enumerate(pairwise(edges))
    )
    parts = [
        f"{letter(i)}: most often {_between(edges, int(count.argmax()))}, from {duration(int(sample.min()))} to "
        f"{duration(int(sample.max()))}"
        for i, (sample, count) in enumerate(zip(samples, counts, strict=True))
        if sample.size
    ]
    sentence = "; ".join(parts) + "." if parts else "No stimulus was answered."
    return Reading(_for(views, sentence), ("reaction time", *_letters(views)), rows)


def tail(views: Sequence[RunView]) -> Reading:
    """Stimuli not answered within the deadline and within 1, 2, 4, ... times the median."""
    samples = [present(view.reaction_ns) for view in views]
    filled = [sample for sample in samples if sample.size]
    if not filled:
        return Reading("No stimulus was answered.")
    middle, last = min(int(np.median(s)) for s in filled), max(int(s.max()) for s in filled)
    times = {max(1, middle) * 2**k for k in range(10) if middle * 2**k <= last}
    times |= {view.deadline_ns for view in views if view.deadline_ns is not None} | {last}
    rows = tuple((duration(t, 4), *(_unanswered(view, t) for view in views)) for t in sorted(times))
    sentences = [
        f"{letter(i)}: after its deadline of {exactly(view.deadline_ns)}, {_unanswered(view, view.deadline_ns)} "
        "stimuli are not answered"
        for i, view in enumerate(views)
        if view.deadline_ns is not None
    ]
    text = _for(views, "; ".join(sentences) + ". ") if sentences else ""
    return Reading(
        f"{text}Each curve falls as stimuli are answered; dotted lines are 95 % limits for each point by itself. "
        "Stimuli without an answer keep a curve from reaching zero.",
        ("not answered within", *_letters(views)),
        rows,
    )


def over_time(views: Sequence[RunView]) -> Reading:
    """Median, slowest, late and missed in each tenth of the run."""
    rows: list[tuple[str, ...]] = []
    for index, view in enumerate(views):
        since, reaction = view.timeline()
        if not since.size:
            continue
        width = max(1, -(-(int(since[-1]) + 1) // 10))
        for part in range(int(since[-1]) // width + 1):
            inside = reaction[(since // width) == part]
            answered = present(inside)
            late = "–" if view.deadline_ns is None else f"{int((answered > view.deadline_ns).sum()):,}"
            rows.append((
                f"{letter(index)} from {duration(part * width)}",
                duration(int(np.median(answered)) if answered.size else None),
                duration(int(answered.max()) if answered.size else None),
                late,
                f"{inside.size - answered.size:,}",
            ))  # fmt: skip
    marked = any(view.late().any() for view in views)
    sentence = (
        "Each answer stands where its stimulus happened; long runs are shown as counts per cell under a line through "
        "the slowest answers"
    )
    sentence += ". Late answers are diamonds above the deadline" if marked else ""
    return Reading(
        f"{sentence}. Stimuli without an answer of their own are crosses at the top.{_unmarked(views)}",
        ("part of the run", "median", "slowest", "late", "no answer"),
        tuple(rows),
    )


def persistence(views: Sequence[RunView]) -> Reading:
    """Share of stimuli whose response is high, at times after the stimulus."""
    edges = density.persistence_edges([(v.reaction_ns, v.pulse_width_ns) for v in views], 10, 8)
    seen = [density.persistence(v.reaction_ns, v.pulse_width_ns, edges, v.stimuli) for v in views]
    rows = tuple(
        (duration(int(edge)), *(share(int(s.high[i]), s.stimuli) for s in seen)) for i, edge in enumerate(edges[1:])
    )
    missing = [
        f"{lost:,} of {letter(i)} have no fall and stay out"
        for i, v in enumerate(views)
        if (lost := int(np.count_nonzero(v.answered() & (v.pulse_width_ns == NO_STAMP))))
    ]
    extra = f" Of the responses, {listing(missing)}." if missing else ""
    return Reading(
        "All responses laid over each other with the stimulus at zero: a sharp edge is a steady answer, a smeared one "
        f"is jitter. It opens on all but the slowest hundredth; zoom out for the rest.{extra}",
        ("high at", *_letters(views)),
        rows,
    )


def segments(views: Sequence[RunView]) -> Reading:
    """The segments' figures."""
    names = ("median_ns", "p99_ns", "p99_9_ns", "max_ns")
    rows = tuple(
        (
            f"{segment_label(name)}{f' {letter(i)}' if len(views) > 1 else ''}",
            *(quantile((view.summary.get("segments") or {}).get(name), key) for key in names),
        )
        for name in segment_names(views)
        for i, view in enumerate(views)
    )
    return Reading(
        "Where the time goes: a line from the fastest to the slowest of each segment, a circle at the median, a "
        "diamond at p99, a square at p99.9.",
        ("segment", "median", "p99", "p99.9", "slowest"),
        rows,
    )


def _letters(views: Sequence[RunView]) -> tuple[str, ...]:
    return tuple(f"{letter(i)} ({view.grade})" for i, view in enumerate(views))


def _for(views: Sequence[RunView], sentence: str) -> str:
    if len(views) > 1:
        return sentence
    plain = sentence.removeprefix("A: ")
    return plain[:1].upper() + plain[1:]


def _between(edges: np.ndarray[tuple[int], np.dtype[np.int64]], place: int) -> str:
    return f"between {duration(int(edges[place]))} and {duration(int(edges[place + 1]))}"


def _unmarked(views: Sequence[RunView]) -> str:
    kinds = ("the slowest of its {:,} late answers", "the first of its {:,} stimuli without an answer")
    parts = [
        f"{letter(i)} {kind.format(int(rows.sum()))}"
        for i, view in enumerate(views)
        for kind, rows in zip(kinds, (view.late(), ~view.answered()), strict=True)
        if rows.sum() > density.MOST_MARKS
    ]
    return f" Only {density.MOST_MARKS:,} are marked one by one: of {listing(parts)}." if parts else ""


def _unanswered(view: RunView, at_ns: int) -> str:
    left = view.stimuli - int((present(view.reaction_ns) <= at_ns).sum())
    return f"{left:,} of {view.stimuli:,}" + (f" ({share(left, view.stimuli)})" if left else "")
