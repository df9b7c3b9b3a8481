"""The board's side in the host's terms: settings as the agent takes them, its blocks of stamps as numpy columns."""

from typing import Any

import numpy as np

from edgereply.config.settings import Board
from edgereply.storage.stamps import BoardStamps, ObservedEdges
from edgereply.storage.trace_events import TraceEvents
from edgereply_protocol import Json, Stamps, Traced


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


def trace_settings(board: Board, deadline_ns: int | None) -> Json:
    """What asks the agent for the kernel's events beside late answers; nothing where they are not wanted."""
    return {"trace": {"deadline_ns": deadline_ns}} if board.trace else {}


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


def trace_events(message: Traced) -> TraceEvents:
    """The kernel's events beside some answers as numpy columns; the message has been found sound."""
    answers, column = message.about["answers"], message.block.columns
    rows = [answer["rows"] for answer in answers]
    # An answer without an event keeps a row, so that it is known to have been looked at.
    starts = np.cumsum([0, *rows])
    order = np.concatenate(
        [np.arange(start, start + count) if count else [-1] for start, count in zip(starts, rows, strict=False)]
        or [np.empty(0, np.int64)]
    ).astype(np.int64)
    repeats = [max(1, count) for count in rows]
    names = np.array([*message.about["names"], ""], dtype=object)

    def of(name: str, dtype: type[np.generic]) -> Any:
        return np.append(np.array(column[name], dtype), np.zeros(1, dtype))[order]

    def said(key: str, dtype: type[np.generic]) -> Any:
        return np.repeat(np.array([answer[key] for answer in answers], dtype), repeats)

    return TraceEvents(
        said("edge_ns", np.int64), said("set_ns", np.int64),
        np.repeat(np.array([answer["why"] == "late" for answer in answers], np.uint8), repeats),
        said("whole", np.uint8), np.full(len(order), message.about["pid"], np.uint32),
        of("at_ns", np.int64), of("kind", np.uint8), of("cpu", np.uint32), of("number", np.uint32),
        of("priority", np.uint32), names[np.where(order < 0, len(names) - 1, of("name", np.int64))],
        of("before", np.uint32), of("before_priority", np.uint32), of("before_state", np.uint32),
        names[np.where(order < 0, len(names) - 1, of("before_name", np.int64))],
    )  # fmt: skip
