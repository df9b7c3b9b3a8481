"""The board's own account of a run, from an agent that answered or from one that only watched. Pure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s, Uint8s
from edgereply.analysis.arrays.presence import difference
from edgereply.analysis.pairing.one_clock import pair
from edgereply.analysis.pairing.result import Status
from edgereply.storage.stamps import FALL, RISE, STIMULUS, BoardStamps, ObservedEdges


@dataclass(frozen=True, slots=True)
class BoardSide:
    """One row an input edge, by the board's clock; int64 nanoseconds, `NO_STAMP` where there is none.

    Attributes:
        edge_ns: the kernel's stamp of the input edge; a route may have none.
        status: `Status` of each edge.
        answer_ns: input edge to output high.
        width_ns: output high to low.
        segments: parts of the answer by name.
        spurious: answers without an edge.
        watched: the agent only watched, so an edge it has not seen may have been answered all the same.
        notes: what the reader of the figures must know.
    """

    edge_ns: Int64s
    status: Uint8s
    answer_ns: Int64s
    width_ns: Int64s
    segments: dict[str, Int64s]
    spurious: int
    watched: bool
    notes: list[str]


def answered(board: BoardStamps) -> BoardSide:
    """From the stamps of the agent's responder: every row is an edge with its answer."""
    edge, wake, high, low = board.edge_ns, board.wake_ns, board.set_ns, board.clear_ns
    hold = difference(low, high)
    segments = {"wake_delay": difference(wake, edge), "set_time": difference(high, wake), "hold": hold}
    status = np.full(len(edge), Status.PAIRED, np.uint8)
    note = "these are the board's own stamps, from kernel edge to high written"
    return BoardSide(edge, status, difference(high, edge), hold, segments, 0, False, [note])


def watched(edges: ObservedEdges, window_ns: int) -> BoardSide:
    """From kernel stamps of the taps, paired on the board's clock.

    Args:
        edges: as they were observed.
        window_ns: an answer comes at most this long after its stimulus.
    """
    pairing = pair(edges.of(STIMULUS), edges.of(RISE), edges.of(FALL), window_ns)
    paired = pairing.status == Status.PAIRED
    answer = difference(pairing.rise_ns, pairing.stimulus_ns, paired)
    width = difference(pairing.fall_ns, pairing.rise_ns, paired)
    notes = ["these are kernel stamps of the board's taps, from stimulus to response"]
    if len(edges.at_ns) and not len(edges.of(FALL)):
        notes.append("pulse widths by the kernel take response_fall_tap, a second spare line on the output")
    return BoardSide(
        pairing.stimulus_ns, pairing.status, answer, width, {"inside": answer}, pairing.spurious, True, notes
    )
