"""Many conditions in interleaved blocks, from a plan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from edgereply.api.measuring import BenchSource, Say, bench_source, quietly, raise_ended, unwatched
from edgereply.config.plan_file import SweepPlan, load_plan, parse_plan
from edgereply.errors import HostError, SettingError
from edgereply.measurement.sweep.conditions import Setup, conditions_of_plan, setups
from edgereply.measurement.sweep.state import begin, planned_series, take_up
from edgereply.storage.series_record import SeriesRecord

if TYPE_CHECKING:
    from edgereply.api.series import SavedSeries


@dataclass(frozen=True, slots=True)
class PlannedSweep:
    """A sweep before its first stimulus.

    Attributes:
        plan: what is varied.
        bench: what it is measured on.
        ready: settings by name of the condition.
        record: of the series, all blocks planned.
        directory: of the series.
    """

    plan: SweepPlan
    bench: BenchSource
    ready: dict[str, Setup]
    record: SeriesRecord
    directory: Path

    @property
    def boards(self) -> list[str]:
        """Names of the boards, each once."""
        return list(dict.fromkeys(setup.board for setup in self.ready.values()))


def planned_sweep(
    plan: str | Path | Mapping[str, Any], bench: str | Path | Mapping[str, Any] | None, out: Path | None
) -> PlannedSweep:
    """Read a plan and its bench.

    Args:
        plan: a plan file, or what would stand in one.
        bench: in place of the bench file that the plan names.
        out: series directory; runs/TIME-PLAN when None.

    Raises:
        SettingError: plan or bench cannot be read or are wrong.
    """
    if isinstance(plan, Mapping):
        wanted, beside, name = parse_plan(dict(plan), "the plan given"), Path(), "sweep"
    else:
        wanted, beside, name = load_plan(Path(plan)), Path(plan).parent, Path(plan).stem
    given = bench_source(beside / wanted.bench if bench is None else bench)
    conditions = conditions_of_plan(wanted)
    ready = setups(given.data, given.where, wanted, conditions)
    record = planned_series(wanted, given.data, conditions, ready)
    return PlannedSweep(wanted, given, ready, record, out or _directory(name))


def sweep(
    plan: str | Path | Mapping[str, Any], bench: str | Path | Mapping[str, Any] | None = None, *,
    out: str | Path | None = None, resume: bool = False, prove_wires: bool = True, say: Say | None = None,
) -> SavedSeries:  # fmt: skip
    """Measure every condition of a plan in interleaved blocks of random order; blocks until it has ended.

    Args:
        plan: a plan file, or what would stand in one: `axes`, `repeats`, `count` or `dwell`, `order_seed`.
        bench: a bench file or its contents, in place of the one that the plan names.
        out: series directory to make; runs/TIME-PLAN when None.
        resume: measure only what the series at `out` lacks.
        prove_wires: check the wires of each board first.
        say: called with one line on what happens next; from several threads where several boards are measured.

    Raises:
        SettingError: plan or bench are wrong, or have changed since the series that is resumed.
        DataError: the directory is used, or is no series of a sweep.
        LinkError, BoardError, SourceError: failures in a row, until the sweep gave up; blocks measured are kept.
        HostError: some blocks failed; `resume` tries them again.
        KeyboardInterrupt: Ctrl-C; every block measured is kept.
    """
    from edgereply.api.series import SavedSeries
    from edgereply.measurement.measure import Procedure
    from edgereply.measurement.sweep.sweep import Sweep

    if resume and out is None:
        raise SettingError("nothing to resume", where="resume", remedy="name the series directory")
    planned = planned_sweep(plan, bench, None if out is None else Path(out))
    record, directory = planned.record, planned.directory
    record = take_up(directory, record) if resume else begin(directory, record)
    procedure = Procedure(say=say or quietly, repeat=[], bench_file=planned.bench.file, prove_wires=prove_wires)
    ended = Sweep(
        record, planned.ready, directory, procedure, lambda *_: _unwatched(), planned.plan.give_up_after,
        at_once=planned.plan.at_once,
    ).carry_out()  # fmt: skip
    raise_ended(
        KeyboardInterrupt() if ended.interrupted else ended.gave_up, f"every block measured is kept in {directory}"
    )
    failed = [f"{block.run}: {block.reason or block.state}" for block in record.blocks if block.state != "complete"]
    if failed:
        raise HostError(f"{len(failed)} blocks failed, the first: {failed[0]}", where=str(directory),
                        remedy="resume=True tries them again")  # fmt: skip
    return SavedSeries(directory)


def _unwatched() -> Any:
    from contextlib import nullcontext

    return nullcontext(unwatched)


def _directory(name: str) -> Path:
    stamp = datetime.now().astimezone().strftime("%Y%m%d-%H%M%S")
    safe = "".join(c if c.isalnum() or c in "-_" else "_" for c in name)
    return Path("runs") / f"{stamp}-{safe}"
