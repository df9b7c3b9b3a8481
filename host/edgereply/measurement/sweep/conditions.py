"""From the axes of a plan to conditions, and from a condition to the bench that measures it."""

import copy
import re
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import product
from typing import Any

from edgereply.config.bench_file import parse_bench
from edgereply.config.overrides import lay_stimulus
from edgereply.config.plan_file import SweepPlan
from edgereply.config.settings import Bench
from edgereply.errors import SettingError

Condition = dict[str, Any]

ON_BOARD = ("route", "wait", "responder", "load")
REALTIME = ("fifo_priority", "cpus", "hold_cpu_latency")
_NOT_SET = {"fifo_priority": "none", "cpus": "any", "hold_cpu_latency": False}


@dataclass(frozen=True, slots=True)
class Setup:
    """A condition ready to be measured: its board's name, its bench, and the bench of its warm-up if it has one."""

    board: str
    bench: Bench
    warm_up: Bench | None

    @property
    def runs(self) -> int:
        """Runs of a block: its warm-up is one too."""
        return 1 if self.warm_up is None else 2

    @property
    def nominal_s(self) -> float:
        """Seconds its stimuli take, warm-up included."""
        benches = [self.bench] if self.warm_up is None else [self.warm_up, self.bench]
        return sum(bench.stimulus.stimuli * bench.stimulus.rate for bench in benches) / 1e9


def conditions_of_plan(plan: SweepPlan) -> dict[str, Condition]:
    """Every combination of the axes, by a name that can be a directory's: made of what differs.

    Returns:
        At least one condition; an empty one, named "bench", when the plan has no axes.
    """
    axes = plan.axes.given()
    found: dict[str, Condition] = {}
    for values in product(*axes.values()):
        condition = dict(zip(axes, values, strict=True))
        differing = {name: value for name, value in condition.items() if len(axes[name]) > 1}
        name = "-".join(_word(axis, value) for axis, value in differing.items()) or "bench"
        if name in found:
            raise SettingError(
                f"two conditions would have the same name {name!r}", where="axes", remedy="write each value one way"
            )
        found[name] = condition
    return found


def in_words(condition: Condition) -> dict[str, str]:
    """A condition as text, as it is recorded and shown."""
    return {name: _words(value) for name, value in condition.items()}


def setups(
    data: Mapping[str, Any], where: str, plan: SweepPlan, conditions: Mapping[str, Condition]
) -> dict[str, Setup]:
    """The benches of all conditions, checked before anything is measured.

    Args:
        data: contents of the bench file.
        where: its name.
        plan: count or dwell of a block, and of its warm-up.
        conditions: from `conditions_of_plan`.

    Raises:
        SettingError: a condition the bench cannot have, named.
    """
    found = {}
    for name, condition in conditions.items():
        try:
            found[name] = _setup(dict(data), where, plan, condition)
        except SettingError as error:
            raise SettingError(f"condition {name}: {error.message}", where=error.where, remedy=error.remedy) from error
    return found


def _setup(data: dict[str, Any], where: str, plan: SweepPlan, condition: Condition) -> Setup:
    board, settings = parse_bench(data, where).pick(condition.get("board", ""))
    if not settings.ours and (idle := [axis for axis in ON_BOARD + REALTIME if axis in condition]):
        raise SettingError(
            f"the board {board} is answered by something else than the agent: {', '.join(idle)} would change nothing",
            where="axes",
            remedy="leave these axes out, or leave the board out",
        )
    length = {"count": plan.count, "dwell": plan.dwell}
    laid = lay_stimulus(data, where, {key: condition.get(key) for key in ("rate", "pattern")} | length)
    section = laid["board"][board]
    section.update({key: condition[key] for key in ON_BOARD if key in condition})
    realtime = section.setdefault("realtime", {})
    for key in REALTIME:
        if key in condition:
            realtime.pop(key, None)
            if condition[key] != _NOT_SET[key]:
                realtime[key] = condition[key]
    words = f"{where} and the plan"
    warm_up = None
    if plan.warm_up is not None:
        warm_up = parse_bench(lay_stimulus(laid, words, {"dwell": plan.warm_up}), words)
    return Setup(board, parse_bench(laid, words), warm_up)


def with_seed(bench: Bench, seed: int) -> Bench:
    """The same bench with another seed of arrivals."""
    return bench.model_copy(update={"stimulus": bench.stimulus.model_copy(update={"seed": seed})})


def plain(data: Mapping[str, Any]) -> dict[str, Any]:
    """A copy that shares nothing."""
    return copy.deepcopy(dict(data))


def _words(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "+".join(map(str, value)) if isinstance(value, list) else str(value)


def _word(axis: str, value: Any) -> str:
    if axis == "fifo_priority":
        return f"fifo_{value}"
    if axis == "load":
        return "load_" + "_".join(re.findall(r"\w+", value))
    if axis == "cpus":
        return "cpu_" + "_".join(map(str, value) if isinstance(value, list) else [value])
    if axis == "hold_cpu_latency":
        return "awake" if value else "may_sleep"
    text = str(value).replace("/s", "_per_s")
    return "".join(c if c.isalnum() or c in "._" else "_" for c in text)
