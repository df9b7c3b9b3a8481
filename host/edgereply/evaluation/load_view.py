"""Saved runs into what the terminal and the page show."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from edgereply.analysis.arrays.chunks import both
from edgereply.analysis.arrays.presence import present
from edgereply.analysis.arrays.uncertainty import KnownTo
from edgereply.analysis.statistics.summary import summarise
from edgereply.config.choices import OUR_RESPONDERS, software_wires
from edgereply.config.load import load_words
from edgereply.evaluation import imported
from edgereply.evaluation.board_context import context_notes, pooled
from edgereply.evaluation.by_pieces import PieceByPiece, evaluate_by_pieces, goes_by_pieces, tail_ns
from edgereply.evaluation.cautions import cautions
from edgereply.evaluation.evaluate import Evaluation, evaluate
from edgereply.evaluation.gaps import PAIRS, together
from edgereply.evaluation.run_view import RunView
from edgereply.storage.parquet_parts import give_back
from edgereply.storage.run_reader import RunReader
from edgereply.storage.run_record import RunRecord
from edgereply.system.memory import check_fits


def load_view(directory: Path, deadline_ns: int | None = None) -> RunView:
    """Read a run and evaluate it from its raw stamps.

    Args:
        directory: a run directory.
        deadline_ns: judged instead of the run's own deadline.

    Raises:
        DataError: not a run, damaged or altered.
    """
    reader = RunReader(directory)
    deadline_ns = reader.record.deadline_ns if deadline_ns is None else deadline_ns
    return make_view(reader.record, evaluate_run(reader, deadline_ns), deadline_ns, str(directory))


def evaluate_run(reader: RunReader, deadline_ns: int | None) -> Evaluation:
    """Evaluate a saved run from its raw stamps against a deadline.

    Raises:
        DataError: a part is missing, truncated or altered.
        HostError: more memory is needed than is free.
    """
    record = reader.record
    check_fits(reader.rows("stamps"), str(reader.directory))
    # Given away: of a long run, stamps that have been used make room for what is computed from them.
    sources, boards = both(lambda: [reader.source()], lambda: [reader.board()])
    give_back()
    result = evaluate(
        sources.pop(),
        boards.pop(),
        record.window_ns,
        deadline_ns,
        record.source.captures,
        reader.observed(),
        tail_ns(reader),
        record.source.plan,
    )
    if record.evidence != "imported":
        return result
    return result.as_imported(KnownTo(record.source.resolution_ns, record.source.tolerance_ppm))


def summed_up(reader: RunReader, deadline_ns: int | None, pieces: bool | None = None) -> Evaluation | PieceByPiece:
    """Evaluate a saved run for its counts and its summary: a long one by pieces.

    Args:
        reader: of the run.
        deadline_ns: later answers count as late; None counts none.
        pieces: True by pieces, False as a whole; None by the run's length.

    Raises:
        SettingError: by pieces is wanted of a run that cannot be cut.
        DataError: a part is missing, truncated or altered.
    """
    if goes_by_pieces(reader, pieces):
        return evaluate_by_pieces(reader, deadline_ns)
    return evaluate_run(reader, deadline_ns)


def make_view(
    record: RunRecord, result: Evaluation, deadline_ns: int | None, where: str, brief: bool = False
) -> RunView:
    """A record and its evaluation as one view; a brief one has the reaction time's figures alone, for a headline."""
    requested, in_effect = _conditions(record)
    return RunView(
        title=_title(record),
        evidence=result.evidence,
        virtual=record.virtual,
        condition_requested=requested,
        condition_in_effect=in_effect,
        environment=record.environment_before,
        counts=result.counts,
        summary=result.summary(record.virtual, brief) | {"context": record.context},
        reaction_ns=result.reaction_ns,
        stimulus_ns=result.stimulus_ns,
        pulse_width_ns=result.pulse_width_ns,
        segments=result.segments,
        deadline_ns=deadline_ns,
        status=_status(record),
        repeat=record.repeat,
        notes=_unique(
            [
                *record.warnings,
                *result.notes,
                *imported.known_words(result),
                *context_notes(record.context),
                f"run {record.run_id} in {where}, {record.created}",
            ]
        ),
        cautions=[
            *cautions(record, result.counts),
            *imported.near_words(result, deadline_ns),
        ],
        wiring=_wiring(record),
        gaps=result.gaps,
    )


def pool_views(title: str, views: Sequence[RunView]) -> RunView:
    """Rounds of one condition as one view; the figures are computed from all answers together."""
    first = views[0]
    reaction, width, stimulus = (
        np.concatenate([getattr(view, name) for view in views])
        for name in ("reaction_ns", "pulse_width_ns", "stimulus_ns")
    )
    segments = {
        name: np.concatenate([view.segments[name] for view in views])
        for name in first.segments
        if all(name in view.segments for view in views)
    }
    counts = {name: sum(view.counts.get(name, 0) for view in views) for name in first.counts}
    summary = dict(first.summary) | {name: counts[name] for name in first.summary if name in counts}
    summary |= {
        "reaction": summarise(present(reaction)).as_dict(),
        "pulse_width": summarise(present(width)).as_dict(),
        "segments": {name: summarise(present(values)).as_dict() for name, values in segments.items()},
        "context": pooled([view.summary.get("context", {}) for view in views]),
    }
    gaps = together([view.gaps for view in views])
    summary.pop("gaps", None)
    if gaps is not None:
        summary["gaps"] = gaps.as_dict()
    return replace(
        first,
        title=title,
        judged="",
        judgement=(),
        counts=counts,
        summary=summary,
        reaction_ns=reaction,
        stimulus_ns=stimulus,
        pulse_width_ns=width,
        segments=segments,
        gaps=gaps,
        notes=_unique([f"{len(views)} rounds pooled", *(note for view in views for note in view.notes)]),
    )


def _title(record: RunRecord) -> str:
    board = record.requested.get("board", {})
    responder = board.get("responder", "agent")
    if responder not in OUR_RESPONDERS:
        return f"{record.board} · {responder}"
    parts = [record.board, board.get("route"), board.get("wait"), "floor" if responder == "floor" else ""]
    return " · ".join(str(part) for part in parts if part)


def _conditions(record: RunRecord) -> tuple[dict[str, Any], dict[str, Any]]:
    """What was asked for and what took effect, under the same names."""
    if record.evidence == "imported":
        return imported.conditions(record)
    board, stimulus = record.requested.get("board", {}), record.requested.get("stimulus", {})
    plan = record.source.plan
    if board.get("responder", "agent") not in OUR_RESPONDERS:
        kept = ("responder", "route", "collection") if board["responder"] == "observe" else ("responder",)
        board = {name: board[name] for name in kept if name in board}
    requested: dict[str, Any] = {
        name: board.get(name) for name in ("responder", "route", "wait", "collection", "realtime") if name in board
    }
    requested |= {"hold_ns": board["hold"]} if "hold" in board else {}
    requested |= {"pattern": stimulus.get("pattern"), "period_ns": stimulus.get("rate")}
    requested |= {f"{name}_ns": stimulus.get(name) for name in ("floor", "width")} | {"seed": stimulus.get("seed")}
    if stimulus.get("pattern") == PAIRS:
        requested |= {f"{name}_ns": stimulus.get(name) for name in ("shortest_gap", "longest_gap")}
    if "load" in board:
        requested["load"] = load_words(board["load"])
    known = {name: record.in_effect[name] for name in requested if name in record.in_effect}
    if "load" in record.in_effect:
        known["load"] = load_words(record.in_effect["load"])
    told = ("event_clock", "event_buffer", "observer")
    extra = {name: record.in_effect[name] for name in told if name in record.in_effect}
    return requested, known | {name: plan[name] for name in requested if name in plan} | extra


def _status(record: RunRecord) -> str:
    if record.state == "running":
        return "incomplete: the program that measured was cut off; what it had committed is here"
    return f"incomplete: {record.reason}" if record.state == "incomplete" else "complete"


def _wiring(record: RunRecord) -> list[tuple[str, str]]:
    board = record.requested.get("board", {})
    if record.evidence == "imported":
        return imported.wiring(record)
    if record.virtual and software_wires(board.get("route")):
        return [("virtual source, stimulus", "board's input (software wire)"),
                ("board's output (software wire)", "virtual source, capture")]  # fmt: skip
    lines = {name: _line(board.get(name)) for name in ("input", "output")}
    taps = {"input": ("stimulus_tap",), "output": ("response_tap", "response_fall_tap")}
    jumpers = [
        (f"board: {lines[end]}", f"board: {_line(board[name])} (jumper, watched)")
        for end, names in taps.items()
        for name in names
        if board.get("responder") == "observe" and (board.get(name) or {}).get("line", "") != ""
    ]
    return [("source: ground", "board: ground"), ("source: stimulus", f"board: {lines['input']}"),
            (f"board: {lines['output']}", "source: capture"), *jumpers]  # fmt: skip


def _line(line: object) -> str:
    if not isinstance(line, dict):
        return "?"
    return f"{line.get('chip')}:{line.get('line')}" if line.get("chip") else str(line.get("line", "?"))


def _unique(lines: Sequence[str]) -> list[str]:
    return list(dict.fromkeys(lines))
