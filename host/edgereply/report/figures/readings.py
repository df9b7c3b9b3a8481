"""What the figures say, in sentences and short tables: for people who do not see them, and for print."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.presence import NO_STAMP, present
from edgereply.evaluation.run_view import RunView, letter
from edgereply.report.figures import density, overlay
from edgereply.wording.evidence import measured_by
from edgereply.wording.numbers import duration, exactly, listing, share

# Of more runs than this only the extremes are told in words; the table has all.
MOST_TOLD: Final = 6


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


def distribution(views: Sequence[RunView]) -> Reading:
    """The distribution as at most a dozen bins."""
    samples = [view.answers() for view in views]
    edges, _ = density.shared_edges(samples, 12)
    counts = [density.counts_between(sample, edges) for sample in samples]
    rows = tuple(
        (f"{duration(int(low))} to {duration(int(high))}", *(f"{int(count[i]):,}" for count in counts))
        for i, (low, high) in enumerate(pairwise(edges))
    )
    drawn, _ = density.shared_edges(samples, density.DRAWN_BINS)  # the top of the curve, not of the coarser table
    parts = [
        f"{letter(i)}: most often {_between(drawn, _top(sample, drawn))}, from {duration(int(sample.min()))} to "
        f"{duration(int(sample.max()))}"
        for i, sample in enumerate(samples)
        if sample.size
    ]
    sentence = "; ".join(parts) + "." if parts else "No stimulus was answered."
    if len(parts) > MOST_TOLD:
        fastest, slowest = (
            end((int(pick(sample)), letter(i)) for i, sample in enumerate(samples) if sample.size)
            for end, pick in ((min, np.min), (max, np.max))
        )
        sentence = f"Answers took from {duration(fastest[0])} ({fastest[1]}) to {duration(slowest[0])} ({slowest[1]})."
    return Reading(_for(views, sentence), ("reaction time", *_letters(views)), rows)


def tail(views: Sequence[RunView]) -> Reading:
    """Stimuli not answered within the deadline and within 1, 2, 4, ... times the median."""
    samples = [view.answers() for view in views]
    filled = [sample for sample in samples if sample.size]
    if not filled:
        return Reading("No stimulus was answered.")
    middle, last = min(int(np.median(s)) for s in filled), max(int(s.max()) for s in filled)
    times = {max(1, middle) * 2**k for k in range(10) if middle * 2**k <= last}
    times |= {view.deadline_ns for view in views if view.deadline_ns is not None} | {last}
    rows = tuple((duration(t, 4), *(_unanswered(view, t) for view in views)) for t in sorted(times))
    sentences = [
        f"{letter(i)}: after its deadline of {exactly(view.deadline_ns)}, {_unanswered(view, view.deadline_ns)} "
        f"stimuli are not answered{_unclear(view)}"
        for i, view in enumerate(views)
        if view.deadline_ns is not None
    ]
    text = _for(views, "; ".join(sentences) + ". ") if sentences else ""
    if len(sentences) > MOST_TOLD:
        judged = [
            (_left(view, view.deadline_ns) / max(1, view.stimuli), letter(i), _unanswered(view, view.deadline_ns))
            for i, view in enumerate(views)
            if view.deadline_ns is not None
        ]
        least, most = min(judged), max(judged)
        text = f"After their deadlines from {least[2]} of {least[1]} to {most[2]} of {most[1]} are not answered. "
    return Reading(
        f"{text}Each curve falls as stimuli are answered. Stimuli without an answer keep it from reaching zero.",
        ("not answered within", *_letters(views)),
        rows,
    )


def over_time(views: Sequence[RunView], first: int = 0) -> Reading:
    """Median, slowest, late and missed in each tenth of the run."""
    rows: list[tuple[str, ...]] = []
    for index, view in enumerate(views, first):
        since, reaction = view.timeline()
        if not since.size:
            continue
        width = max(1, -(-(int(since[-1]) + 1) // 10))
        for part in range(int(since[-1]) // width + 1):
            inside = reaction[slice(*np.searchsorted(since, [part * width, (part + 1) * width]))]
            answered = present(inside)
            late = "–" if view.deadline_ns is None else f"{int((answered > view.deadline_ns).sum()):,}"
            rows.append(
                (
                    f"{letter(index)} from {duration(part * width)}",
                    duration(int(np.median(answered)) if answered.size else None),
                    duration(int(answered.max()) if answered.size else None),
                    late,
                    f"{inside.size - answered.size:,}",
                )
            )
    marked = any(view.late().any() for view in views)
    sentence = (
        "Each answer stands at the time of its stimulus; of a long run, colour is the count and the line the slowest"
    )
    if any(view.pooled > 1 for view in views):
        sentence += "; rounds stand one after the other"
    sentence += ". Late answers are diamonds above the deadline" if marked else ""
    return Reading(
        f"{sentence}. Stimuli without an answer of their own are crosses at the top.",
        ("part of the run", "median", "slowest", "late", "no answer"),
        tuple(rows),
    )


def persistence(views: Sequence[RunView], first: int = 0) -> Reading:
    """Share of stimuli whose response is high, at times after the stimulus."""
    edges = overlay.persistence_edges([(v.reaction_ns, v.pulse_width_ns) for v in views], 10, 8)
    seen = [overlay.persistence(v.reaction_ns, v.pulse_width_ns, edges, v.stimuli) for v in views]
    rows = tuple(
        (duration(int(edge)), *(share(int(s.high[i]), s.stimuli) for s in seen)) for i, edge in enumerate(edges[1:])
    )
    missing = [
        f"{lost:,} of {letter(i)} have no fall and stay out"
        for i, v in enumerate(views, first)
        if (lost := int(np.count_nonzero(v.answered() & (v.pulse_width_ns == NO_STAMP))))
    ]
    extra = f" Of the responses, {listing(missing)}." if missing else ""
    return Reading(
        "All responses over each other, with the stimulus at zero: a sharp edge is a steady answer, a wide one is "
        f"jitter; brightness is how many.{extra}",
        ("high at", *_letters(views, first)),
        rows,
    )


def fold(view: RunView, index: int) -> Reading:
    """Where in the period answers were late, in at most twenty parts."""
    found = view.folds[0]
    parts = min(20, found.stimuli.size)
    edges = np.linspace(0, found.stimuli.size, parts + 1).astype(np.int64)
    stimuli, late = (np.add.reduceat(counts, edges[:-1]) for counts in (found.stimuli, found.late))
    width = found.period_ns / found.stimuli.size
    rows = tuple(
        (f"{duration(low * width)} to {duration(high * width)}", f"{s:,}", f"{k:,}", share(int(k), int(s)))
        for low, high, s, k in zip(edges[:-1].tolist(), edges[1:].tolist(), stimuli, late, strict=True)
    )
    return Reading(
        f"Run {letter(index)} ({measured_by(view.evidence, view.virtual)}) "
        f"folded at {found.period_ns / 1e6:.6f} ms (± {duration(found.error_ns)}): "
        "above, the reaction time by when within the period the stimulus came; below, the share of answers later than "
        f"{duration(found.late_above_ns)} or missing. They come within {duration(found.width_ns)} of the period, "
        f"from {duration(found.start_ns)} on.",
        ("within the period", "stimuli", "late", "share"),
        rows,
    )


def _letters(views: Sequence[RunView], first: int = 0) -> tuple[str, ...]:
    return tuple(f"{letter(i)} ({measured_by(view.evidence, view.virtual)})" for i, view in enumerate(views, first))


def _for(views: Sequence[RunView], sentence: str) -> str:
    if len(views) > 1:
        return sentence
    plain = sentence.removeprefix("A: ")
    return plain[:1].upper() + plain[1:]


def _between(edges: Int64s, place: int) -> str:
    return f"between {duration(int(edges[place]))} and {duration(int(edges[place + 1]))}"


def _top(sample: Int64s, edges: Int64s) -> int:
    return int(density.counts_between(sample, edges).argmax())


def _unanswered(view: RunView, at_ns: int) -> str:
    left = _left(view, at_ns)
    return f"{left:,} of {view.stimuli:,}" + (f" ({share(left, view.stimuli)})" if left else "")


def _unclear(view: RunView) -> str:
    words = {"ambiguous": "not matched", "unobserved": "not watched to the end"}
    found = [f"{view.counts[name]:,} {said}" for name, said in words.items() if view.counts.get(name)]
    return f" (or cannot be told: {' and '.join(found)})" if found else ""


def _left(view: RunView, at_ns: int) -> int:
    return view.stimuli - int((view.answers() <= at_ns).sum())
