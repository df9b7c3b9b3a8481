"""The questions behind a plan file: what is varied, how many rounds, how long a block lasts."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from edgereply.cli.setup.questions import Questions
from edgereply.config.descriptions import AXES
from edgereply.config.plan_file import Axes, parse_plan
from edgereply.config.settings import Bench
from edgereply.errors import SettingError

Data = dict[str, Any]
# Asked for, in this order; the others can be given with --vary or written into the file.
_ASKED = ("board", "wait", "rate", "load", "route", "fifo_priority")
_HOW = "such as --vary wait=block,spin --vary 'rate=200/s, 1000/s' --vary 'load=none; cpu=2, memory=64M'"


def collect_plan(
    bench: Bench, path: Path, vary: Sequence[str], rounds: int | None, dwell: str, ask: Questions | None
) -> Data:
    """Ask for what was not given.

    Args:
        bench: what is varied.
        path: its file, as the plan names it.
        vary: an axis and its values each, such as ``wait=block,spin``.
        rounds: how often every condition is measured.
        dwell: how long a block lasts.
        ask: asks; None where nobody can be asked.

    Returns:
        Contents of a plan file, checked.

    Raises:
        SettingError: an option is wrong, or one is missing and nobody can be asked.
    """
    axes = dict(map(_axis, vary))
    if ask is None:
        wanted = {"--vary AXIS=VALUES": axes, "--rounds N": rounds, "--dwell TIME": dwell}
        refuse_missing([option for option, value in wanted.items() if not value])
    else:
        if not axes:
            ask.show(
                "1 of 2 · What is varied. Commas between values, semicolons between loads; Enter leaves an axis out"
            )
            while not (axes := _asked_axes(bench, ask)):
                ask.show("  ! a sweep varies something: give one axis two values")
        if rounds is None or not dwell:
            ask.show("2 of 2 · How long. Every round measures every condition once, in random order")
        rounds = rounds or ask.value("Rounds", _rounds, "6")
        dwell = dwell or ask.value("How long each block lasts", _dwell, "10s")
    data: Data = {"bench": str(path), "repeats": rounds, "dwell": dwell, "axes": axes}
    parse_plan(data, "the answers")
    unknown = [name for name in axes.get("board", []) if name not in bench.board]
    if unknown:
        raise SettingError(
            f"the bench has no board {', '.join(map(repr, unknown))}", where=str(path),
            remedy=f"use {', '.join(sorted(bench.board))}",
        )  # fmt: skip
    return data


def refuse_missing(options: Sequence[str]) -> None:
    """Say which options are missing where nobody can be asked.

    Raises:
        SettingError: some are.
    """
    if options:
        raise SettingError(
            f"there is no terminal to ask on, and these options are missing: {'; '.join(options)}",
            where="edgereply init",
            remedy="give them, or start it in a terminal and answer its questions",
        )


def _asked_axes(bench: Bench, ask: Questions) -> Data:
    found: Data = {}
    for name in _ASKED:
        if name == "board" and len(bench.board) < 2:
            continue

        def read(text: str, name: str = name) -> list[Any]:
            return _values(name, text) if text else []

        ask.show(f"  {name}: {AXES[name]}")
        if values := ask.value(name, read):
            found[name] = values
    return found


def _axis(text: str) -> tuple[str, list[Any]]:
    name, equals, values = text.partition("=")
    name = name.strip()
    if not equals or name not in Axes.model_fields:
        known = ", ".join(Axes.model_fields)
        raise SettingError(f"{text!r} is no axis with values", where="--vary", remedy=f"write it {_HOW}; axes: {known}")
    return name, _values(name, values)


def _values(name: str, text: str) -> list[Any]:
    """The values of an axis as the file has them.

    Raises:
        SettingError: one of them is wrong.
    """
    parts = [part.strip() for part in text.split(";" if name == "load" else ",") if part.strip()]
    values = [_value(name, part) for part in parts]
    parse_plan({"axes": {name: values}}, f"values of {name}")
    return values


def _value(name: str, text: str) -> Any:
    if name == "hold_cpu_latency" and text in ("true", "false"):
        return text == "true"
    if name == "fifo_priority" and text.isdigit():
        return int(text)
    if name == "cpus" and text.isdigit():
        return [int(text)]
    return text


def _rounds(text: str) -> int:
    if not text.isdigit() or not 1 <= int(text) <= 1000:
        raise ValueError("give a whole number from 1 to 1000")
    return int(text)


def _dwell(text: str) -> str:
    parse_plan({"dwell": text}, "how long")
    return text
