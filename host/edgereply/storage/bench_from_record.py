"""The bench file and the plan that repeat a measurement, written again from what was recorded."""

from collections.abc import Mapping
from decimal import Decimal
from typing import Any, Final

import tomli_w

from edgereply.config.choices import SOURCES, software_wires
from edgereply.config.settings import Board, Stimulus
from edgereply.storage.run_record import RunRecord
from edgereply.wording.units import time_words

YOURS: Final = {"host": "HOST", "port": "SERIAL-PORT"}
_NOTE: Final = "# bench.toml, from what was recorded. Yours to fill in, since names are not printed: {names}.\n"
_PLAN: Final = "# The plan, for 'edgereply sweep'.\n"
_TIMES: Final = ("hold", "floor", "spread", "shortest_gap", "longest_gap", "width", "dwell", "window")
_LINES: Final = ("input", "output", "stimulus_line", "capture_line")


def bench_of_run(record: RunRecord) -> str:
    """The bench file of a run.

    Args:
        record: of the run.

    Returns:
        TOML; names of hosts and ports are replaced, since pages get passed on. "" where the record does not say enough.
    """
    board, stimulus = record.requested.get("board"), record.requested.get("stimulus")
    if not isinstance(board, dict) or not isinstance(stimulus, dict):
        return ""
    source: dict[str, Any] = {"kind": record.source.kind}
    if record.source.kind in SOURCES and SOURCES[record.source.kind].port:
        source["port"] = YOURS["port"]
    if record.source.kind == "board":
        source["board"] = "BOARD"
    bench: dict[str, Any] = {"title": record.title} if record.title else {}
    if record.deadline_ns is not None:
        bench["deadline"] = time_words(record.deadline_ns)
    bench |= {"board": {record.board: _board(board)}, "source": source, "stimulus": _stimulus(stimulus)}
    return _text(bench)


def bench_of_series(bench: Mapping[str, Any], plan: Mapping[str, Any]) -> str:
    """The bench file of a series, and its plan where it is a sweep's.

    Args:
        bench: contents as they were recorded.
        plan: the plan as it was recorded; empty for a comparison.

    Returns:
        TOML, see `bench_of_run`; "" for a series that recorded none.
    """
    if not bench:
        return ""
    boards = {name: _masked(board, Board.model_fields) for name, board in bench.get("board", {}).items()}
    source = _masked(bench.get("source", {}), ("kind", "port", "level_v", "divider", "baud", "virtual"))
    text = _text({**bench, "board": boards, "source": source})
    kept = {name: value for name, value in plan.items() if value not in (None, "", [])}
    axes = {name: values for name, values in plan.get("axes", {}).items() if values}
    return text + ("\n" + _PLAN + tomli_w.dumps({**kept, "bench": "bench.toml", "axes": axes}) if plan else "")


def _board(requested: Mapping[str, Any]) -> dict[str, Any]:
    usual = Board.model_construct().model_dump(mode="json")
    found: dict[str, Any] = {}
    for name, value in requested.items():
        if name in _LINES:
            # Lines of software wires are made anew for every run.
            if not software_wires(requested.get("route")) and value != usual[name]:
                found[name] = {key: part for key, part in value.items() if part not in ("", False, "as-is")}
        elif name == "realtime":
            found |= {"realtime": given} if (given := {k: v for k, v in value.items() if v}) else {}
        elif name != "ssh_config" and value != usual[name]:
            found[name] = time_words(value) if name in _TIMES else value
    return _masked({"link": requested.get("link", "ssh"), **found}, Board.model_fields)


def _stimulus(requested: Mapping[str, Any]) -> dict[str, Any]:
    usual = Stimulus.model_construct().model_dump(mode="json")
    found: dict[str, Any] = {}
    for name, value in requested.items():
        if name == "rate":
            found[name] = f"{(Decimal(10**9) / value).normalize():f}/s"
        elif value is not None and (name == "seed" or value != usual.get(name)):
            found[name] = time_words(value) if name in _TIMES else value
    return found


def _masked(section: Mapping[str, Any], known: Any) -> dict[str, Any]:
    kept = {name: value for name, value in section.items() if name in known and name != "ssh_config"}
    return {name: YOURS[name] if name in YOURS and value else value for name, value in kept.items()}


def _text(bench: Mapping[str, Any]) -> str:
    text = tomli_w.dumps(bench)
    used = [word for word in (*YOURS.values(), "BOARD") if f'"{word}"' in text]
    return (_NOTE.format(names=", ".join(used)) if used else "# bench.toml, from what was recorded.\n") + text
