"""A sweep's series directory: begun anew, or taken up where it was left."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from edgereply.config.plan_file import SweepPlan
from edgereply.errors import DataError, SettingError
from edgereply.measurement.sweep.conditions import Condition, Setup, in_words, plain
from edgereply.storage.run_reader import RunReader
from edgereply.storage.run_record import now_iso
from edgereply.storage.series_record import BlockRecord, SeriesRecord, load_series, plan_blocks, save_series
from edgereply.version import TOOL

MAY_CHANGE = ("port", "host", "ssh_config")
OF_NO_MATTER = ("bench", "give_up_after", "at_once")


def planned_series(
    plan: SweepPlan, data: Mapping[str, Any], conditions: Mapping[str, Condition], ready: Mapping[str, Setup]
) -> SeriesRecord:
    """The record of a sweep of which nothing is measured yet."""
    first = next(iter(ready.values()))
    return SeriesRecord(
        tool=TOOL,
        created=now_iso(),
        board=", ".join(dict.fromkeys(setup.board for setup in ready.values())),
        title=plan.title or first.bench.title,
        order_seed=plan.order_seed,
        conditions={name: in_words(condition) for name, condition in conditions.items()},
        blocks=plan_blocks(list(conditions), plan.repeats, plan.order_seed, first.bench.stimulus.seed),
        plan=plan.model_dump(mode="json"),
        bench=plain(data),
    )


def begin(directory: Path, record: SeriesRecord) -> SeriesRecord:
    """Make the directory.

    Raises:
        DataError: it holds something already.
        StoreError: it cannot be made.
    """
    if directory.exists() and any(directory.iterdir()):
        raise DataError(
            "the series directory is not empty",
            where=str(directory),
            remedy="choose another --out, or continue this series with --resume",
        )
    save_series(directory, record)
    return record


def take_up(directory: Path, planned: SeriesRecord, write: bool = True) -> SeriesRecord:
    """Read a series that was interrupted and mark what has to be measured again; nothing is deleted.

    A block that the last command had finished but not noted is taken as it is. Any other directory of an unfinished
    block is kept among the block's `attempts`, and the block gets a new one.

    Args:
        planned: what plan and bench would make of it now.
        write: keep the marks in the series; False to look only.

    Raises:
        DataError: not a series, or not one of a sweep.
        SettingError: plan or bench have changed since.
    """
    record = load_series(directory)
    if not record.plan:
        raise DataError("the series was not made by a sweep", where=str(directory), remedy="choose another --out")
    for what, before, now in (
        ("plan", _still(record.plan, OF_NO_MATTER), _still(planned.plan, OF_NO_MATTER)),
        ("bench", _still(record.bench, MAY_CHANGE), _still(planned.bench, MAY_CHANGE)),
    ):
        if changed := _changed(before, now):
            raise SettingError(
                f"the {what} has changed since the series began: {', '.join(changed)}",
                where=str(directory / "series.json"),
                remedy="put the old values back, or start a new series with another --out",
            )
    for block in record.blocks:
        if block.state != "complete":
            _again(directory, block)
    if write:
        save_series(directory, record)
    return record


def _again(directory: Path, block: BlockRecord) -> None:
    if block.state == "planned" and _finished(directory / block.run, block.seed):
        block.state, block.reason = "complete", ""
        return
    name = f"r{block.round:02}-{block.condition}"
    tried = [path for path in (block.run, block.warm_up) if path and (directory / path).exists()]
    block.attempts += tried
    block.state, block.reason, block.warm_up, block.run = "planned", "", "", name
    number = 2
    while any((directory / path).exists() for path in (block.run, f"{block.run}-warm-up")):
        block.run = f"{name}-again{number}"
        number += 1


def _finished(run: Path, seed: int) -> bool:
    try:
        record = RunReader(run).record
    except DataError:
        return False
    same = record.requested.get("stimulus", {}).get("seed") == seed
    return record.state == "complete" and bool(record.finished) and same


def _still(settings: object, may_change: tuple[str, ...]) -> Any:
    """Settings without those that may change between two sittings."""
    if isinstance(settings, dict):
        return {key: _still(value, may_change) for key, value in settings.items() if key not in may_change}
    return json.loads(json.dumps(settings, default=str))


def _changed(before: dict[str, Any], now: dict[str, Any], under: str = "") -> list[str]:
    found = []
    for key in sorted(before.keys() | now.keys()):
        old, new = before.get(key), now.get(key)
        if isinstance(old, dict) and isinstance(new, dict):
            found += _changed(old, new, f"{under}{key}.")
        elif old != new:
            found.append(f"{under}{key} was {old!r}, is {new!r}")
    return found
