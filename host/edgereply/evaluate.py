"""Raw stamps of a run into pairs, joined segments, counts and figures. Pure; the same stamps give the same result."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from edgereply.analysis.joining import JoinStatus, join
from edgereply.analysis.pairing import Status, pair
from edgereply.analysis.settling import settle
from edgereply.analysis.summary import JsonSummary, summarise, widened
from edgereply.analysis.uncertainty import KnownTo
from edgereply.inside import Inside, answered, difference, watched
from edgereply.records import Evidence
from edgereply.stamps import NO_STAMP, BoardStamps, ObservedEdges, SourceStamps

Int64s = NDArray[np.int64]

SEGMENTS = ("wake_delay", "set_time", "hold", "inside", "outside")


@dataclass(frozen=True, slots=True)
class Evaluation:
    """A run, evaluated. Per-stimulus arrays are int64 nanoseconds in stimulus order, `NO_STAMP` where there is none;
    `status` is the `Status` of each stimulus, `edge_ns` when it reached the board by the
    board's clock."""

    evidence: Evidence
    stimulus_ns: Int64s
    status: NDArray[np.uint8]
    reaction_ns: Int64s
    pulse_width_ns: Int64s
    segments: dict[str, Int64s]
    counts: dict[str, int]
    notes: list[str]
    edge_ns: Int64s
    known_to: KnownTo | None = None

    def summary(self, virtual: bool) -> dict[str, Any]:
        """The summary as it is printed and stored (JSON-ready)."""
        return {
            "stimuli": self.counts["stimuli"],
            "responses": self.counts["responses"],
            **{name: self.counts[name] for name in ("missed", "spurious", "coalesced", "ambiguous", "late")},
            "reaction": self._figures(self.reaction_ns),
            "pulse_width": self._figures(self.pulse_width_ns),
            "segments": {name: self._figures(values) for name, values in self.segments.items()},
            "evidence": self.evidence,
            "virtual": virtual,
        }

    def as_imported(self, known_to: KnownTo) -> "Evaluation":
        """The same, taken from another instrument's recording that knows times this well."""
        return replace(self, evidence="imported", known_to=known_to)

    def _figures(self, values_ns: Int64s) -> JsonSummary:
        return widened(summarise(present(values_ns)).as_dict(), self.known_to)


def evaluate(
    source: SourceStamps,
    board: BoardStamps,
    window_ns: int,
    deadline_ns: int | None,
    captures: bool = True,
    observed: ObservedEdges | None = None,
) -> Evaluation:
    """Pair, join and measure.

    Args:
        source: rows of the pulse source's clock.
        board: rows of the board's clock; may be empty.
        window_ns: an answer cannot come later than this after its stimulus.
        deadline_ns: later answers count as late; None counts none.
        captures: whether the source captures responses at all.
        observed: edges an agent only watched while another program answered; then `board` is empty.

    Returns:
        The evaluation; evidence is `joined` when board and source stamps could be paired pulse by pulse, `loop-back`
        with the source's stamps alone, `inside` with the board's alone.
    """
    stimulus, rise, fall = source.edges()
    inside = watched(observed, window_ns) if observed is not None and len(observed.at_ns) else answered(board)
    if not captures:
        return _inside(stimulus, inside, deadline_ns)
    pairing = pair(stimulus, rise, fall, window_ns)
    evidence: Evidence = "loop-back"
    notes: list[str] = []
    segments: dict[str, Int64s] = {}
    joining: dict[str, int] = {}
    answer = reached = np.full(len(pairing.status), NO_STAMP, np.int64)
    stamped = np.flatnonzero(inside.edge_ns != NO_STAMP)
    if len(stamped):
        joined = join(pairing.stimulus_ns, inside.edge_ns[stamped])
        joining = {"joined": joined.joined, "unseen": joined.unseen, "extra_edges": joined.extra}
        if joined.reason:
            notes.append(f"board and source stamps were not joined: {joined.reason}")
        else:
            evidence = "joined"
            row = np.where(joined.edge_index >= 0, stamped[joined.edge_index], -1)
            segments = {name: _spread(values, row) for name, values in inside.segments.items()}
            answer, reached = _spread(inside.answer_ns, row), _spread(inside.edge_ns, row)
            unseen = None if inside.watched else joined.status == JoinStatus.UNSEEN
            pairing = settle(pairing, answer, unseen)
    paired = pairing.status == Status.PAIRED
    reaction = np.where(paired, difference(pairing.rise_ns, pairing.stimulus_ns), NO_STAMP)
    width = np.where(paired, difference(pairing.fall_ns, pairing.rise_ns), NO_STAMP)
    if segments:
        segments["outside"] = difference(reaction, answer)
        notes += inside.notes[1:]
    counts = _counts(pairing.status, reaction, pairing.spurious, deadline_ns) | joining
    if pairing.falls_lost:
        counts["falls_lost"] = pairing.falls_lost
    return Evaluation(evidence, pairing.stimulus_ns, pairing.status, reaction, width, segments, counts, notes, reached)


def present(values: Int64s) -> Int64s:
    """The values that are there."""
    there: Int64s = values[values != NO_STAMP]
    return there


def _counts(status: NDArray[np.uint8], reaction: Int64s, spurious: int, deadline_ns: int | None) -> dict[str, int]:
    taken = present(reaction)
    return {
        "stimuli": len(status),
        "responses": len(taken),
        "missed": int(np.count_nonzero(status == Status.MISSED)),
        "spurious": spurious,
        "coalesced": int(np.count_nonzero(status == Status.COALESCED)),
        "ambiguous": int(np.count_nonzero(status == Status.AMBIGUOUS)),
        "late": 0 if deadline_ns is None else int(np.count_nonzero(taken > deadline_ns)),
    }


def _spread(values: Int64s, row: Int64s) -> Int64s:
    """Values of the board's rows, one a stimulus; `row` is -1 where a stimulus has none."""
    column = np.full(len(row), NO_STAMP, np.int64)
    column[row >= 0] = values[row[row >= 0]]
    return column


def _inside(stimulus: Int64s, inside: Inside, deadline_ns: int | None) -> Evaluation:
    counts = _counts(inside.status, inside.answer_ns, inside.spurious, deadline_ns)
    unseen = max(0, len(stimulus) - len(inside.status))
    first, *more = inside.notes
    notes = [f"the source did not capture responses: {first}", *more]
    if inside.watched and unseen:
        counts["unseen"] = unseen
        notes.append(f"{unseen} stimuli left no stamp at the stimulus tap and are in no figure")
    elif unseen:
        counts["stimuli"] += unseen
        counts["missed"] += unseen
    edge = inside.edge_ns
    segments = dict(inside.segments)
    return Evaluation("inside", edge, inside.status, inside.answer_ns, inside.width_ns, segments, counts, notes, edge)
