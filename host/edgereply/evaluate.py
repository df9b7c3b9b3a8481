"""Raw stamps of a run into pairs, joined segments, counts and figures. Pure; the same stamps give the same result."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from edgereply.analysis.joining import Join, JoinStatus, join
from edgereply.analysis.pairing import Pairing, Status, pair
from edgereply.analysis.settling import settle
from edgereply.analysis.summary import JsonSummary, summarise, widened
from edgereply.analysis.uncertainty import KnownTo
from edgereply.records import Evidence
from edgereply.stamps import NO_STAMP, BoardStamps, SourceStamps

Int64s = NDArray[np.int64]

SEGMENTS = ("wake_delay", "set_time", "hold", "outside")
EXPECTED_SOON = 3


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
    source: SourceStamps, board: BoardStamps, window_ns: int, deadline_ns: int | None, captures: bool = True
) -> Evaluation:
    """Pair, join and measure.

    Args:
        source: rows of the pulse source's clock.
        board: rows of the board's clock; may be empty.
        window_ns: an answer cannot come later than this after its stimulus.
        deadline_ns: later answers count as late; None counts none.
        captures: whether the source captures responses at all.

    Returns:
        The evaluation; evidence is `joined` when board and source stamps could be paired pulse by pulse, `loop-back`
        with the source's stamps alone, `inside` with the board's alone.
    """
    stimulus, rise, fall = source.edges()
    notes: list[str] = []
    if not captures:
        return _inside(stimulus, board, deadline_ns, notes)
    pairing = pair(stimulus, rise, fall, window_ns)
    evidence: Evidence = "loop-back"
    inside: dict[str, Int64s] = {}
    joining: dict[str, int] = {}
    edge = board.edge_ns[board.edge_ns != NO_STAMP]
    if len(edge):
        joined = join(pairing.stimulus_ns, edge)
        joining = {"joined": joined.joined, "unseen": joined.unseen, "extra_edges": joined.extra}
        if joined.reason:
            notes.append(f"board and source stamps were not joined: {joined.reason}")
        else:
            evidence = "joined"
            inside = _inside_segments(joined, board)
            pairing = settle(pairing, inside["edge_to_set"], joined.status == JoinStatus.UNSEEN)
    paired = pairing.status == Status.PAIRED
    reaction = _difference(pairing.rise_ns, pairing.stimulus_ns, paired)
    width = _difference(pairing.fall_ns, pairing.rise_ns, paired)
    counts = _pair_counts(pairing, reaction, deadline_ns) | joining
    segments = {name: inside[name] for name in ("wake_delay", "set_time", "hold") if inside}
    reached = inside.get("edge", np.full(len(reaction), NO_STAMP, np.int64))
    if inside:
        segments["outside"] = _difference(reaction, inside["edge_to_set"], paired)
    return Evaluation(evidence, pairing.stimulus_ns, pairing.status, reaction, width, segments, counts, notes, reached)


def present(values: Int64s) -> Int64s:
    """The values that are there."""
    there: Int64s = values[values != NO_STAMP]
    return there


def _pair_counts(pairing: Pairing, reaction: Int64s, deadline_ns: int | None) -> dict[str, int]:
    status = pairing.status
    taken = present(reaction)
    return {
        "stimuli": len(status),
        "responses": len(taken),
        "missed": int(np.count_nonzero(status == Status.MISSED)),
        "spurious": len(pairing.spurious_rise_ns),
        "coalesced": int(np.count_nonzero(status == Status.COALESCED)),
        "ambiguous": int(np.count_nonzero(status == Status.AMBIGUOUS)),
        "late": 0 if deadline_ns is None else int(np.count_nonzero(taken > deadline_ns)),
    }


def _inside_segments(joined: Join, board: BoardStamps) -> dict[str, Int64s]:
    rows = np.flatnonzero(board.edge_ns != NO_STAMP)
    found = joined.edge_index >= 0
    row = rows[joined.edge_index[found]]

    def spread(values: Int64s) -> Int64s:
        column = np.full(len(found), NO_STAMP, np.int64)
        column[found] = values
        return column

    edge, wake, high, low = (spread(getattr(board, n)[row]) for n in ("edge_ns", "wake_ns", "set_ns", "clear_ns"))
    return {
        "wake_delay": _difference(wake, edge, found),
        "set_time": _difference(high, wake, found),
        "hold": _difference(low, high, found),
        "edge_to_set": _difference(high, edge, found),
        "edge": edge,
    }


def _inside(stimulus: Int64s, board: BoardStamps, deadline_ns: int | None, notes: list[str]) -> Evaluation:
    every = np.ones(len(board.edge_ns), bool)
    reaction = _difference(board.set_ns, board.edge_ns, every)
    segments = {
        "wake_delay": _difference(board.wake_ns, board.edge_ns, every),
        "set_time": _difference(board.set_ns, board.wake_ns, every),
        "hold": _difference(board.clear_ns, board.set_ns, every),
    }
    taken = present(reaction)
    sent = max(len(stimulus), len(reaction)) if len(stimulus) else len(reaction)
    counts = {
        "stimuli": sent,
        "responses": len(taken),
        "missed": sent - len(reaction),
        "spurious": 0,
        "coalesced": 0,
        "ambiguous": 0,
        "late": 0 if deadline_ns is None else int(np.count_nonzero(taken > deadline_ns)),
    }
    notes.append(
        "the source did not capture responses: these are the board's own stamps, from kernel edge to high written"
    )
    width = segments["hold"]
    status = np.full(len(every), Status.PAIRED, np.uint8)
    return Evaluation("inside", board.edge_ns, status, reaction, width, segments, counts, notes, board.edge_ns)


def _difference(later: Int64s, earlier: Int64s, valid: NDArray[np.bool_]) -> Int64s:
    usable = valid & (later != NO_STAMP) & (earlier != NO_STAMP)
    result = np.full(len(later), NO_STAMP, np.int64)
    result[usable] = later[usable] - earlier[usable]
    return result
