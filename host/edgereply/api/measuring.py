"""One condition measured on a bench."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from edgereply.api.runs import SavedRun
from edgereply.config.bench_file import read_bench
from edgereply.config.overrides import override, run_directory
from edgereply.config.settings import Bench

if TYPE_CHECKING:
    from edgereply.measurement.measure import Procedure
    from edgereply.measurement.run import RunOutcome, Watcher

Say = Callable[[str], None]
_ON_BOARD = ("route", "wait", "collection", "responder", "power", "load", "trace")
_STIMULUS = ("pattern", "rate", "count", "dwell", "seed")


@dataclass(frozen=True, slots=True)
class BenchSource:
    """A bench as it was given: its contents, not checked yet, and the file they are from."""

    data: dict[str, Any]
    where: str
    file: Path | None


def bench_source(bench: str | Path | Mapping[str, Any]) -> BenchSource:
    """Contents of a bench.

    Args:
        bench: a bench file, or what would stand in one.

    Raises:
        SettingError: the file cannot be read, or is not TOML.
    """
    if isinstance(bench, Mapping):
        return BenchSource(dict(bench), "the bench given", None)
    return BenchSource(read_bench(Path(bench)), str(bench), Path(bench))


def settings_of(bench: BenchSource, board: str, options: Mapping[str, Any]) -> Bench:
    """A bench with options in place of what its file says; options that are None change nothing.

    Raises:
        SettingError: bench or option are wrong, named by the key; or the board is unknown.
    """
    return override(
        bench.data,
        where=bench.where,
        board=board,
        on_board={name: options.get(name) for name in _ON_BOARD},
        realtime={"fifo_priority": options.get("fifo_priority")},
        stimulus={name: options.get(name) for name in _STIMULUS},
        top={"deadline": options.get("deadline")},
    )


def carry_out(
    settings: Bench, board: str, out: Path | None, watch: Watcher, procedure: Procedure, until: str | None = None
) -> tuple[SavedRun, RunOutcome]:
    """Measure; trouble during the run does not raise, it is in the outcome, and what was received is kept.

    Raises:
        SettingError: the bench asks for what board or source cannot do, or the rule is none.
        DataError: the directory is used.
        HostError: board, link or source failed before the first stimulus.
    """
    from edgereply.measurement.measure import measure as measure_bench
    from edgereply.measurement.stopping_rule import parse_goal
    from edgereply.storage.run_writer import refuse_used

    goal = None if until is None else parse_goal(until)
    directory = out or run_directory(settings, board)
    refuse_used(directory)
    measured = measure_bench(settings, board, directory, watch, procedure, goal)
    return SavedRun(directory), measured.outcome


def measure(
    bench: str | Path | Mapping[str, Any], *, board: str = "", out: str | Path | None = None, count: int | None = None,
    dwell: str | None = None, rate: str | None = None, pattern: str | None = None, seed: int | None = None,
    route: str | None = None, wait: str | None = None, responder: str | None = None, load: str | None = None,
    collection: str | None = None, fifo_priority: int | None = None, deadline: str | None = None,
    power: str | None = None, trace: bool | None = None, until: str | None = None, prove_wires: bool = True,
    say: Say | None = None,
) -> SavedRun:  # fmt: skip
    """Measure one board by one route and keep the run; blocks until it has ended.

    The options are those of `edgereply measure` and take the place of what the bench says; None leaves that.

    Args:
        bench: a bench file, or what would stand in one.
        board: of the bench; not needed when it has one.
        out: run directory to make; runs/TIME-BOARD-ROUTE-WAIT when None.
        count: how many stimuli.
        dwell: how long instead of how many, such as "60s".
        rate: mean rate of the stimuli, such as "200/s".
        pattern: of their arrivals: periodic, uniform, exponential or pairs.
        seed: of their arrivals.
        route: how the board answers.
        wait: how it waits for the edge: block or spin.
        responder: what answers: agent, floor, external or observe.
        load: that the agent makes, such as "cpu=2,memory=64M".
        collection: of the stamps: stream or quiet.
        fifo_priority: SCHED_FIFO priority to ask for, 1 to 99.
        deadline: answers later than this are late, such as "2ms".
        power: of the board as a meter shows it, such as "3.1W±0.1".
        trace: record what the board's kernel did beside late answers; needs root there.
        until: stop early by a valid rule, such as "p99.9 within 5%".
        prove_wires: check the wires with slow pulses first.
        say: called with one line on what happens next.

    Raises:
        SettingError: bench or options are wrong, or board or source cannot do what is asked.
        DataError: the directory is used.
        LinkError, BoardError, SourceError: they failed; what was received by then is kept, and the error's notes say
            where.
        StoreError: the disk takes nothing more.
        KeyboardInterrupt: Ctrl-C; what was measured until then is kept, see the notes.
    """
    from edgereply.measurement.measure import Procedure

    given = bench_source(bench)
    settings = settings_of(
        given, board,
        {"route": route, "wait": wait, "collection": collection, "responder": responder, "power": power, "load": load,
         "trace": trace, "fifo_priority": fifo_priority, "pattern": pattern, "rate": rate, "count": count,
         "dwell": dwell, "seed": seed, "deadline": deadline},
    )  # fmt: skip
    procedure = Procedure(say=say or quietly, repeat=[], bench_file=given.file, prove_wires=prove_wires)
    run, outcome = carry_out(settings, board, None if out is None else Path(out), unwatched, procedure, until)
    raise_ended(
        KeyboardInterrupt() if outcome.interrupted else None, f"what was measured until then is kept in {run.path}"
    )
    raise_ended(outcome.error, f"the run is incomplete; what was received is kept in {run.path}")
    return run


def raise_ended(by: BaseException | None, kept: str) -> None:
    """Raise what ended a measurement early, if anything did, with a note on what is kept of it."""
    if by is not None:
        by.add_note(kept)
        raise by


def quietly(_line: str) -> None:
    """Say nothing."""


def unwatched(*_: object) -> None:
    """Watch nothing."""
