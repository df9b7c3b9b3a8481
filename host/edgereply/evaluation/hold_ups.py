"""Who held up the late answers of a traced run: its events joined with its evaluation."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Int64s
from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.analysis.lateness.attribution import (
    UNKNOWN,
    Event,
    Happening,
    Owner,
    Span,
    attribute,
    likely_answering,
)
from edgereply.analysis.lateness.culprits import Culprits, find_culprits
from edgereply.analysis.lateness.explain import Explanation
from edgereply.evaluation.evaluate import Evaluation
from edgereply.storage.run_reader import RunReader
from edgereply.storage.trace_events import TraceEvents
from edgereply_protocol import OWN_INTERRUPTS

MOST_SHOWN: Final = 8
# Interrupts that follow each other within so long are taken for one entry into the kernel.
LEADING_NS: Final = 10_000
_INTERRUPTS: Final = frozenset({Happening.IRQ_ENTRY, Happening.IRQ_EXIT, Happening.OWN_ENTRY, Happening.OWN_EXIT})


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldAnswer:
    """One late answer and where its time went.

    Attributes:
        stimulus: its number among the run's stimuli, from 0; None where that is not known.
        reaction_ns: its reaction time; from edge to set where the stimulus is not known.
        edge_ns, set_ns: board clock.
        spans: from edge to set.
    """

    stimulus: int | None
    reaction_ns: int
    edge_ns: int
    set_ns: int
    spans: tuple[Span, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PeriodOf:
    """A culprit's part in a period or a burst: in how many of its late answers it took more than usual."""

    owner: Owner
    what: str
    length_ns: int
    answers: int
    of: int


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldUps:
    """What a traced run says of its late answers.

    Attributes:
        limit_ns: later than this is late.
        all_in_time: no answer was later than the run's deadline: these are only its slowest, and nobody is accused.
        late: answers that were.
        recorded: of these, with events that have no gap.
        culprits: summed up; None where no late answer was recorded.
        worst: the slowest of them, slowest first.
        periods: culprits that belong to a period or a burst.
        event_ns: cost of one event; None where it was not measured.
        events: mean number of events within a usual answer; None without one.
        report: what became of the recording, as the agent said.
    """

    limit_ns: int
    all_in_time: bool
    late: int
    recorded: int
    culprits: Culprits | None
    worst: tuple[HeldAnswer, ...]
    periods: tuple[PeriodOf, ...]
    event_ns: int | None
    events: float | None
    report: Mapping[str, Any]

    @property
    def cost_ns(self) -> float | None:
        """What recording added to a usual answer; None where that is not known."""
        return None if self.event_ns is None or self.events is None else self.event_ns * self.events


@dataclass(frozen=True, slots=True)
class _Traced:
    """One answer that was recorded."""

    edge_ns: int
    set_ns: int
    late: bool
    whole: bool
    pid: int
    events: list[Event]


def find_hold_ups(reader: RunReader, result: Evaluation, explanation: Explanation) -> HoldUps | None:
    """Split each late answer's time and sum it up.

    Late is what is later than the run's deadline; where it has none, or all were in time, than the explanation's limit.

    Args:
        reader: of the run.
        result: its evaluation.
        explanation: of the same evaluation.

    Returns:
        See `HoldUps`; None where nothing was recorded.

    Raises:
        DataError: a part of the trace is damaged.
    """
    effect = reader.record.in_effect.get("trace") or {}
    if not effect.get("on"):
        return None
    deadline_ns = reader.record.deadline_ns
    past = deadline_ns is not None and bool(np.any(result.reaction_ns > deadline_ns))
    limit_ns = deadline_ns if past and deadline_ns is not None else explanation.late_above_ns
    traced = answers_of(reader.trace())
    ours = {int(pid): name for name, pid in (effect.get("pids") or {}).items()}
    unknown_pid = likely_answering((item.events, item.set_ns) for item in traced if not item.pid)
    spans = {
        item.edge_ns: tuple(attribute(item.events, item.edge_ns, item.set_ns, item.pid or unknown_pid, ours))
        if item.whole
        else (Span(item.edge_ns, item.set_ns, UNKNOWN),)
        for item in traced
    }
    late, stimulus = _late(result, traced, limit_ns)
    chosen = [item for item in traced if item.whole and (item.edge_ns in late or not item.late)]
    marks: Bools = np.array([item.edge_ns in late for item in chosen], np.bool_)
    culprits = find_culprits([spans[item.edge_ns] for item in chosen], marks)
    held = [
        HeldAnswer(
            stimulus=stimulus.get(item.edge_ns), reaction_ns=late[item.edge_ns], edge_ns=item.edge_ns,
            set_ns=item.set_ns, spans=spans[item.edge_ns],
        )
        for item in chosen if item.edge_ns in late
    ]  # fmt: skip
    held.sort(key=lambda answer: -answer.reaction_ns)
    return HoldUps(
        limit_ns=limit_ns, all_in_time=deadline_ns is not None and not past,
        late=_count_late(result, late, limit_ns), recorded=len(held), culprits=culprits,
        worst=tuple(held[:MOST_SHOWN]), periods=tuple(_periods(culprits, held, result, explanation)),
        event_ns=effect.get("event_ns"), events=_events_of_usual(traced),
        report=reader.record.environment_after.get("trace") or {},
    )  # fmt: skip


def recording_cost(reader: RunReader) -> tuple[int | None, float | None] | None:
    """What an event cost in a traced run, in ns, and how many of them a usual answer has; None where it was not traced.

    Raises:
        DataError: a part of the trace is damaged.
    """
    effect = reader.record.in_effect.get("trace") or {}
    return (effect.get("event_ns"), _events_of_usual(answers_of(reader.trace()))) if effect.get("on") else None


def _events_of_usual(traced: Sequence[_Traced]) -> float | None:
    paid = [_events_paid(item) for item in traced if not item.late and item.whole]
    return float(np.mean(paid)) if paid else None


def _events_paid(item: _Traced) -> int:
    """Events whose cost is in a reaction time: from edge to set, and of the interrupts right before that led there."""
    inside = [place for place, event in enumerate(item.events) if item.edge_ns <= event.at_ns <= item.set_ns]
    first = inside[0] if inside else len(item.events)
    at_ns, before = item.edge_ns, 0
    for event in reversed(item.events[:first]):
        if event.kind not in _INTERRUPTS or at_ns - event.at_ns > LEADING_NS:
            break
        at_ns, before = event.at_ns, before + 1
    return before + len(inside)


def answers_of(rows: TraceEvents) -> list[_Traced]:
    """The recorded answers with their events, in the order of the rows."""
    found: list[_Traced] = []
    # A row begins another answer where the edge changes; the same edge is never recorded twice in a row.
    changes = np.flatnonzero(np.diff(rows.edge_ns)) + 1
    columns = [column.tolist() for column in rows.columns()]
    for start, end in zip([0, *changes], [*changes, len(rows.edge_ns)], strict=True):
        if start == end:
            continue
        edge_ns, set_ns, late, whole, pid = (column[start] for column in columns[:5])
        at, kind, cpu, number, priority, name, before, before_priority, state, before_name = (
            column[start:end] for column in columns[5:]
        )
        events = [
            Event(*one)
            for one in zip(
                kind, at, cpu, number, priority, name, before, before_priority, state, before_name, strict=True
            )
            if one[0] != Happening.NONE
        ]
        events = [
            event._replace(name=OWN_INTERRUPTS[event.number].replace("_", " "))
            if event.kind in (Happening.OWN_ENTRY, Happening.OWN_EXIT) and event.number < len(OWN_INTERRUPTS)
            else event
            for event in events
        ]
        events.sort(key=lambda event: event.at_ns)
        found.append(_Traced(edge_ns, set_ns, bool(late), bool(whole), pid, events))
    return found


def _late(result: Evaluation, traced: Sequence[_Traced], limit_ns: int) -> tuple[dict[int, int], dict[int, int]]:
    """Reaction time of the late answers by their edge on the board's clock, and the number of their stimulus."""
    joined = (result.edge_ns != NO_STAMP) & (result.reaction_ns != NO_STAMP)
    if not joined.any():
        return {t.edge_ns: t.set_ns - t.edge_ns for t in traced if t.set_ns - t.edge_ns > limit_ns}, {}
    places = np.flatnonzero(joined & (result.reaction_ns > limit_ns))
    edges: Int64s = result.edge_ns[places]
    late = dict(zip(edges.tolist(), result.reaction_ns[places].tolist(), strict=True))
    return late, dict(zip(edges.tolist(), places.tolist(), strict=True))


def _count_late(result: Evaluation, late: Mapping[int, int], limit_ns: int) -> int:
    known = int(np.count_nonzero((result.reaction_ns != NO_STAMP) & (result.reaction_ns > limit_ns)))
    return max(known, len(late))


def _periods(
    culprits: Culprits | None, held: Sequence[HeldAnswer], result: Evaluation, explanation: Explanation
) -> list[PeriodOf]:
    """Of each accused, the periods and bursts of which it is in at least half of the recorded late answers."""
    found: list[PeriodOf] = []
    if culprits is None:
        return found
    stamped = [(item, int(result.stimulus_ns[item.stimulus])) for item in held if item.stimulus is not None]
    begun = result.stimulus_ns[result.stimulus_ns != NO_STAMP]
    groups: list[tuple[str, int, list[HeldAnswer]]] = []
    for period in explanation.periods:
        window, length = period.finding.window, period.finding.period_ns
        inside = [i for i, at in stamped if (at - int(begun[0]) - window.start_ns) % length <= window.width_ns]
        groups.append(("period", int(length), inside))
    for burst in explanation.bursts:
        end_ns = burst.start_ns + burst.length_ns
        inside = [item for item, at in stamped if burst.start_ns <= at <= end_ns]
        groups.append(("burst", int(burst.length_ns), inside))
    for accused in culprits.accused:
        for what, length_ns, inside in groups:
            count = sum(_time(item, accused.owner) > accused.usual_ns for item in inside)
            if inside and 2 * count >= len(inside):
                found.append(
                    PeriodOf(owner=accused.owner, what=what, length_ns=length_ns, answers=count, of=len(inside))
                )
    return found


def _time(answer: HeldAnswer, owner: Owner) -> int:
    return sum(span.end_ns - span.start_ns for span in answer.spans if span.owner == owner)
