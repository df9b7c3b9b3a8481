"""The board's side in the host's terms: settings as the agent takes them, its blocks of stamps as numpy columns."""

from typing import Any

import numpy as np

from edgereply.config.settings import Board
from edgereply.storage.stamps import BoardStamps, ObservedEdges
from edgereply_protocol import Json, Stamps


def responder_settings(board: Board, capacity: int) -> Json:
    """`Configure` settings for a board's responder."""
    return {
        "route": board.route,
        "lines": {name: line_settings(getattr(board, name)) for name in ("input", "output")},
        "wait": board.wait,
        "hold_ns": board.hold,
        "collection": board.collection,
        "capacity": capacity,
        "realtime": board.realtime.model_dump(),
        "dead_man_s": 30,
        "load": board.load.model_dump(),
        "responder": board.responder,
        "floor_program": board.floor_program,
        # Left out where it is not wanted: agents from before it do not know it.
        **({"hardware_clock": True} if board.hardware_clock else {}),
    }


def line_settings(line: Any) -> Json:
    """A line as the agent takes it."""
    settings: Json = line.model_dump(mode="json")
    return settings


def board_stamps(message: Stamps) -> BoardStamps:
    """A block of answers as numpy columns."""
    column = message.block.columns
    return BoardStamps(
        np.array(column["edge_ns"], np.int64),
        np.array(column["wake_ns"], np.int64),
        np.array(column["set_ns"], np.int64),
        np.array(column["clear_ns"], np.int64),
        np.array(column["seqno"], np.uint32),
        np.array(column["line_seqno"], np.uint32),
    )


def observed_edges(message: Stamps) -> ObservedEdges:
    """A block of watched edges as numpy columns."""
    column = message.block.columns
    return ObservedEdges(
        np.array(column["at_ns"], np.int64),
        np.array(column["kind"], np.uint8),
        np.array(column["seqno"], np.uint32),
    )
