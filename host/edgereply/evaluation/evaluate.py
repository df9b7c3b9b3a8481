"""Raw stamps of a run into pairs, joined segments, counts and figures. Pure; the same stamps give the same result."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Int64s, Uint8s
from edgereply.analysis.arrays.chunks import chunkwise
from edgereply.analysis.arrays.presence import NO_STAMP, difference, present
from edgereply.analysis.arrays.uncertainty import KnownTo
from edgereply.analysis.pairing.alignment import AlignStatus, align
from edgereply.analysis.pairing.assignment import pair_by_rows, with_unobserved
from edgereply.analysis.pairing.one_clock import pair
from edgereply.analysis.pairing.result import Pairing, Status
from edgereply.analysis.statistics.summary import JsonSummary, summarise
from edgereply.evaluation.board_side import BoardSide, answered, watched
from edgereply.evaluation.bounds import JsonBounds, bounds
from edgereply.evaluation.gaps import PAIRS, Gaps, gaps_of
from edgereply.storage.run_record import Evidence
from edgereply.storage.stamps import BoardStamps, ObservedEdges, SourceStamps

# How long sources go on capturing after the last stimulus of their plan.
TAIL_NS = 100_000_000
COUNTED = ("missed", "spurious", "coalesced", "ambiguous", "unobserved", "late")
SEGMENTS = ("wake_delay", "set_time", "hold", "inside", "outside")


@dataclass(frozen=True, slots=True)
class Evaluation:
    """A run, evaluated. Per-stimulus arrays are int64 nanoseconds in stimulus order, `NO_STAMP` where there is none;
    `status` is the `Status` of each stimulus, `edge_ns` when it reached the board by the
    board's clock."""

    evidence: Evidence
    stimulus_ns: Int64s
    status: Uint8s
    reaction_ns: Int64s
    pulse_width_ns: Int64s
    segments: dict[str, Int64s]
    counts: dict[str, int]
    notes: list[str]
    edge_ns: Int64s
    known_to: KnownTo | None = None
    gaps: Gaps | None = None

    def summary(self, virtual: bool, brief: bool = False) -> dict[str, Any]:
        """The summary as it is printed and stored (JSON-ready).

        Args:
            virtual: whether the run is.
            brief: without the figures of pulse widths and segments, five sixths of the work: for a headline.
        """
        more = {} if brief else {
            "pulse_width": self._figures(self.pulse_width_ns),
            "segments": {name: self._figures(values) for name, values in self.segments.items()},
        }  # fmt: skip
        return {
            "stimuli": self.counts["stimuli"],
            "responses": self.counts["responses"],
            **{name: self.counts[name] for name in COUNTED},
            "bounds": self.bounds(),
            "reaction": self._figures(self.reaction_ns),
            **more,
            "evidence": self.evidence,
            "virtual": virtual,
            **({} if self.gaps is None else {"gaps": self.gaps.as_dict()}),
        }

    def bounds(self) -> JsonBounds | None:
        """What the figures could be, whatever became of the stimuli that are in none of them; None without such."""
        left_out = self.counts["ambiguous"] + self.counts["unobserved"]
        if not left_out:
            return None
        reaction = np.sort(present(self.reaction_ns))
        lacking = self.counts["missed"] + self.counts["coalesced"]
        return bounds(reaction.size, lambda place: int(reaction[place]), lacking, left_out, self.counts["late"])

    def as_imported(self, known_to: KnownTo) -> "Evaluation":
        """The same, taken from another instrument's recording that knows times this well."""
        return replace(self, evidence="imported", known_to=known_to)

    def _figures(self, values_ns: Int64s) -> JsonSummary:
        return summarise(present(values_ns), self.known_to).as_dict()


def evaluate(
    source: SourceStamps,
    board: BoardStamps,
    window_ns: int,
    deadline_ns: int | None,
    captures: bool = True,
    observed: ObservedEdges | None = None,
    tail_ns: int | None = None,
    plan: Mapping[str, Any] | None = None,
) -> Evaluation:
    """Pair, join and measure.

    Args:
        source: rows of the pulse source's clock.
        board: rows of the board's clock; may be empty.
        window_ns: an answer cannot come later than this after its stimulus.
        deadline_ns: later answers count as late; None counts none.
        captures: whether the source captures responses at all.
        observed: edges an agent only watched while another program answered; then `board` is empty.
        tail_ns: how long the source went on capturing after the last stimulus, if no later stamp tells; None for as
            long as the window.
        plan: of the stimuli, as it took effect; None where nothing is to be said of pairs.

    Returns:
        The evaluation; evidence is `joined` when board and source stamps could be paired pulse by pulse, `loop-back`
        with the source's stamps alone, `inside` with the board's alone.
    """
    inside = watched(observed, window_ns) if observed is not None and len(observed.at_ns) else answered(board)
    stimulus, rise, fall = source.edges()
    # Of a long run each of these is a good part of a computer's memory.
    del source, board, observed
    if not captures:
        return _inside(stimulus, inside, deadline_ns)
    board_says = joined((stimulus, rise, fall), inside, window_ns, watched_to(stimulus, rise, fall, tail_ns))
    every_rise = rise if plan and plan.get("pattern") == PAIRS else None
    del rise, fall
    pairing, segments = board_says.pairing, board_says.segments
    paired = pairing.status == Status.PAIRED
    reaction = difference(pairing.rise_ns, pairing.stimulus_ns, paired)
    width = difference(pairing.fall_ns, pairing.rise_ns, paired)
    evidence: Evidence = "loop-back"
    if board_says.answer_ns is not None:
        evidence = "joined"
        segments["outside"] = difference(reaction, board_says.answer_ns)
    counts = counts_of(pairing.status, reaction, pairing.spurious, deadline_ns) | board_says.counts
    if pairing.falls_lost:
        counts["falls_lost"] = pairing.falls_lost
    reached = np.full(len(paired), NO_STAMP, np.int64) if board_says.edge_ns is None else board_says.edge_ns
    gaps = None
    if plan and every_rise is not None:
        gaps = gaps_of(plan, pairing.stimulus_ns, every_rise, pairing.status, reaction, deadline_ns)
    return Evaluation(
        evidence, pairing.stimulus_ns, pairing.status, reaction, width, segments, counts, board_says.notes, reached,
        gaps=gaps,
    )  # fmt: skip


def watched_to(stimulus: Int64s, rise: Int64s, fall: Int64s, tail_ns: int | None) -> int | None:
    """When the source's record ends, source clock; None where it goes on for a window after the last stimulus."""
    if tail_ns is None or not stimulus.size:
        return None
    return max(
        int(stimulus[-1]) + tail_ns, *(int(edges[-1]) for edges in (rise, fall) if edges.size), int(stimulus[-1])
    )


@dataclass(frozen=True, slots=True)
class Joined:
    """Stimuli and responses paired with what the board says; no arrays where it was not there, or was not aligned.

    Attributes:
        pairing: of the source's edges.
        segments, answer_ns, edge_ns: a row a stimulus, `NO_STAMP` where the board has none.
        counts, notes: as in `Evaluation`.
        unseen: stimuli of which the board has no edge.
        extra_ns: edges that belong to no stimulus, board clock.
    """

    pairing: Pairing
    segments: dict[str, Int64s]
    answer_ns: Int64s | None
    edge_ns: Int64s | None
    counts: dict[str, int]
    notes: list[str]
    unseen: Bools = field(default_factory=lambda: np.zeros(0, np.bool_))
    extra_ns: Int64s = field(default_factory=lambda: np.zeros(0, np.int64))


def joined(
    edges: tuple[Int64s, Int64s, Int64s], inside: BoardSide, window_ns: int, watched_to_ns: int | None
) -> Joined:
    """Pair the source's edges, by the board's rows where they can be aligned; `inside` gives up its columns.

    Args:
        edges: stimuli, rises and falls, int64 ns, each sorted.
        inside: the board's side.
        window_ns: where no row speaks, an answer comes at most this long after its stimulus.
        watched_to_ns: when the source's record ends; None where it goes on for a window after the last stimulus.
    """
    stamped = np.flatnonzero(inside.edge_ns != NO_STAMP)
    if not len(stamped):
        return Joined(by_one_clock(edges, window_ns, watched_to_ns), {}, None, None, {}, [])
    every = len(stamped) == len(inside.edge_ns)
    edge = inside.edge_ns if every else inside.edge_ns[stamped]
    found = align(edges[0], edge)
    counts = {"joined": found.aligned, "unseen": found.unseen, "extra_edges": found.extra}
    if found.reason:
        alone = by_one_clock(edges, window_ns, watched_to_ns)
        return Joined(alone, {}, None, None, counts, [f"board and source stamps were not joined: {found.reason}"])
    answer = inside.answer_ns if every else inside.answer_ns[stamped]
    output = np.where(answer == NO_STAMP, NO_STAMP, edge + answer)
    pairing = pair_by_rows(edges, window_ns, found, output, watched_to_ns)
    pairing = by_one_clock(edges, window_ns, watched_to_ns) if pairing is None else pairing
    del output
    row = found.edge_index if every else np.where(found.edge_index >= 0, stamped[found.edge_index], -1)
    extra = edge[found.extra_index]
    del stamped
    # Each column is let go as soon as its values stand in order of the stimuli.
    # Segments are parts of a reaction time: where that has none, neither have they.
    paired = pairing.status == Status.PAIRED
    segments = {name: _spread(inside.segments.pop(name), row, paired) for name in list(inside.segments)}
    answer, reached = _spread(inside.answer_ns, row, paired), _spread(inside.edge_ns, row)
    if without := int(np.count_nonzero(paired & (answer == NO_STAMP))):
        counts["without_segments"] = without
    is_unseen = found.status == AlignStatus.UNSEEN
    return Joined(pairing, segments, answer, reached, counts, inside.notes[1:], is_unseen, extra)


def by_one_clock(edges: tuple[Int64s, Int64s, Int64s], window_ns: int, watched_to_ns: int | None) -> Pairing:
    """Pair by the source's clock alone."""
    return with_unobserved(pair(*edges, window_ns), window_ns, watched_to_ns)


def crowded(stimulus_ns: Int64s, status: Uint8s, reaction_ns: Int64s) -> int:
    """How many of the stimuli whose answer cannot be told have a neighbour that came before a slow answer was there.

    Args:
        stimulus_ns: shape (n,), int64 ns, sorted.
        status: shape (n,), uint8 `Status`.
        reaction_ns: shape (n,), int64 ns, `NO_STAMP` where there is none.
    """
    slowest = int(reaction_ns.max(initial=0))
    near = np.diff(stimulus_ns) < slowest
    beside = np.append(near, False) | np.insert(near, 0, False)
    return int(np.count_nonzero(beside[status == Status.AMBIGUOUS])) if near.size else 0


def counts_of(status: Uint8s, reaction: Int64s, spurious: int, deadline_ns: int | None) -> dict[str, int]:
    """What became of the stimuli, by name; late are answers after the deadline."""
    return {
        "stimuli": len(status),
        "responses": int(np.count_nonzero(reaction != NO_STAMP)),
        "missed": int(np.count_nonzero(status == Status.MISSED)),
        "spurious": spurious,
        "coalesced": int(np.count_nonzero(status == Status.COALESCED)),
        "ambiguous": int(np.count_nonzero(status == Status.AMBIGUOUS)),
        "unobserved": int(np.count_nonzero(status == Status.UNOBSERVED)),
        "late": 0 if deadline_ns is None else int(np.count_nonzero(reaction > deadline_ns)),
    }


def _spread(values: Int64s, row: Int64s, wanted: Bools | None = None) -> Int64s:
    """Values of the board's rows, one a stimulus, of those wanted; `row` is -1 where a stimulus has none."""
    column = np.empty(len(row), np.int64)

    def put(part: slice) -> None:
        there = row[part] >= 0 if wanted is None else (row[part] >= 0) & wanted[part]
        column[part] = np.where(there, values[row[part]], NO_STAMP)

    chunkwise(put, len(row))
    return column


def _inside(stimulus: Int64s, inside: BoardSide, deadline_ns: int | None) -> Evaluation:
    counts = counts_of(inside.status, inside.answer_ns, inside.spurious, deadline_ns)
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
