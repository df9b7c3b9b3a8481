"""What the board went through, as cells and lines: never blank, "no sensor" where the board has none."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any, Final

from edgereply.evaluation.run_view import RunView
from edgereply.report.tables.rows import Cell, Group, Row

NO_SENSOR: Final = "no sensor"
NOT_READ: Final = "not read"
_FROM: Final = {"hwmon": "", "typed": " (typed)", "log": " (meter)"}


def watts(value_uw: int, accuracy_uw: int | None = None) -> str:
    """A power with three digits, more where its accuracy is finer; two digits of the accuracy.

    Args:
        value_uw: microwatts.
        accuracy_uw: microwatts, or None where it is not stated.

    Returns:
        Such as "3.10 W ± 0.10 W" or "2.50 W".
    """
    exact = Decimal(value_uw) / 10**6
    places = max(0, 2 - exact.adjusted()) if exact else 2
    if accuracy_uw:
        places = max(places, 1 - (Decimal(accuracy_uw) / 10**6).adjusted())
    places = min(places, 6)
    if accuracy_uw is None:
        return f"{exact:.{places}f} W"
    return f"{exact:.{places}f} W ± {Decimal(accuracy_uw) / 10**6:.{places}f} W"


def watts_cell(context: Mapping[str, Any]) -> Cell:
    """Mean power during the run, with the accuracy of what measured it."""
    power = context.get("power")
    if power is None:
        return Cell(_absent(context))
    origin = "".join(_FROM.get(part, f" ({part})") for part in power["from"].split(" / "))
    return Cell(watts(power["mean_uw"], power["accuracy_uw"]) + origin)


def degrees_cell(context: Mapping[str, Any]) -> Cell:
    """Highest and mean temperature during the run."""
    heat = context.get("temperature")
    if heat is None:
        return Cell(_absent(context))
    return Cell(f"at most {heat['max_mc'] / 1000:.1f} °C, mean {heat['mean_mc'] / 1000:.1f} °C")


def context_columns(contexts: Sequence[Mapping[str, Any]]) -> tuple[list[str], list[list[Cell]], list[str]]:
    """Power and temperature beside other figures, a line a context.

    Returns:
        Headings, cells of each line, and in words the columns that are left out because nobody has them.
    """
    headings: list[str] = []
    lines: list[list[Cell]] = [[] for _ in contexts]
    absent = []
    for heading, make in (("power", watts_cell), ("temperature", degrees_cell)):
        cells = [make(context) for context in contexts]
        if all(cell.value in (NO_SENSOR, NOT_READ) for cell in cells):
            absent.append(f"{heading}: {' or '.join(sorted({cell.value for cell in cells})) or NOT_READ}")
            continue
        headings.append(heading)
        for line, cell in zip(lines, cells, strict=True):
            line.append(cell)
    return headings, lines, [f"Of every line, {', '.join(absent)}."] if absent else []


def context_group(views: Sequence[RunView]) -> Group:
    """The lines on power, heat, frequency, throttling, memory and load, a cell a run."""
    contexts = [view.summary.get("context") or {} for view in views]
    makers = (
        ("power", watts_cell),
        ("temperature", degrees_cell),
        ("processor frequency", _frequency),
        ("throttled", _throttled),
        ("memory available", _memory),
        ("load average", _load),
    )
    return Group("Board meanwhile", tuple(Row(label, tuple(make(c) for c in contexts)) for label, make in makers))


def _frequency(context: Mapping[str, Any]) -> Cell:
    clock = context.get("frequency")
    if clock is None:
        return Cell("unknown" if context.get("readings") else NOT_READ)
    low, high = (f"{clock[name] / 1000:,.0f} MHz" for name in ("min_khz", "max_khz"))
    return Cell(low if low == high else f"{low} to {high}")


def _throttled(context: Mapping[str, Any]) -> Cell:
    told = context.get("throttled") or {}
    if told.get("signs"):
        return Cell("yes")
    return Cell("no" if told.get("watched") else _absent(context))


def _memory(context: Mapping[str, Any]) -> Cell:
    memory = context.get("memory")
    return Cell(f"at least {memory['least_available_kb'] / 1024:,.0f} MiB" if memory else NOT_READ)


def _load(context: Mapping[str, Any]) -> Cell:
    load = context.get("load")
    return Cell(f"{load['mean_milli'] / 1000:.2f}, at most {load['max_milli'] / 1000:.2f}" if load else NOT_READ)


def _absent(context: Mapping[str, Any]) -> str:
    return NO_SENSOR if context.get("readings") else NOT_READ
