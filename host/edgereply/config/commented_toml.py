"""Bench and plan files as text that explains itself: every key with what it means, useful others as remarks."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

import tomli_w

from edgereply.config.descriptions import AXES, BENCH, BOARD, PLAN, SOURCE, STIMULUS
from edgereply.config.schema import first_line

_WIDTH: Final = 78
# Keys that a next step often takes, written as remarks where the file has no value for them.
_MORE_BOARD: Final = {"wait": "spin", "realtime": {"fifo_priority": 50}, "load": "cpu=2"}
_MORE_STIMULUS: Final = {"pattern": "periodic"}
_MORE_AXES: Final = {"wait": ["block", "spin"], "rate": ["200/s", "1000/s"], "load": ["none", "cpu=2"]}
HEAD: Final = (
    "Written by 'edgereply init'. Change what you like: the first line lets editors that know it complete the keys and "
    "mark mistakes, and every command says what it does not understand."
)


def bench_text(data: Mapping[str, Any]) -> str:
    """A bench file.

    Args:
        data: its contents, as `tomllib` would read them, already checked.

    Returns:
        TOML with a remark above every key; it reads back as `data`.
    """
    lines = [first_line("bench"), *_remark(HEAD), ""]
    lines += _keys({key: value for key, value in data.items() if not isinstance(value, Mapping)}, BENCH)
    for name, board in data["board"].items():
        lines += ["", f"[board.{_name(name)}]", *_keys(board, BOARD), *_suggested(board, _MORE_BOARD)]
    for table, words in (("source", SOURCE), ("stimulus", STIMULUS)):
        inside = data.get(table, {})
        more = _MORE_STIMULUS if table == "stimulus" else {}
        lines += ["", f"[{table}]", *_keys(inside, words), *_suggested(inside, more)]
    return "\n".join(lines) + "\n"


def plan_text(data: Mapping[str, Any]) -> str:
    """A plan file of a sweep; as `bench_text`."""
    lines = [first_line("plan"), *_remark(HEAD), ""]
    lines += _keys({key: value for key, value in data.items() if key != "axes"}, PLAN)
    axes = data.get("axes", {})
    lines += ["", *_remark(PLAN["axes"]), "[axes]", *_keys(axes, AXES), *_suggested(axes, _MORE_AXES)]
    return "\n".join(lines) + "\n"


def _keys(values: Mapping[str, Any], words: Mapping[str, str]) -> Iterator[str]:
    for key, value in values.items():
        yield from _remark(words[key])
        yield _written(key, value)


def _suggested(values: Mapping[str, Any], more: Mapping[str, Any]) -> Sequence[str]:
    lines = [f"# {_written(key, value)}" for key, value in more.items() if key not in values]
    return ["# Also possible, without the mark in front:", *lines] if lines else []


def _remark(text: str) -> list[str]:
    return [f"# {line}" for line in textwrap.wrap(text, _WIDTH - 2, break_on_hyphens=False)]


def _written(key: str, value: Any) -> str:
    """One key on one line; the library puts tables and long arrays on several."""
    if isinstance(value, Mapping):
        inside = ", ".join(_written(name, item) for name, item in value.items())
        return f"{key} = {{ {inside} }}" if inside else f"{key} = {{}}"
    if isinstance(value, list | tuple):
        return f"{key} = [{', '.join(_written('x', item).removeprefix('x = ') for item in value)}]"
    return tomli_w.dumps({key: value}).strip()


def _name(name: str) -> str:
    """A board's name as a part of a table's name, quoted where it has to be."""
    return tomli_w.dumps({name: 1}).rpartition(" = ")[0]
