"""Conditions of one board measured in turns, so that what drifts meanwhile falls on all of them alike."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Any

from edgereply.analysis.statistics.equivalence import MATTERS
from edgereply.api.measuring import BenchSource, Say, bench_source, quietly, raise_ended, unwatched
from edgereply.config.bench_file import parse_bench
from edgereply.config.overrides import lay_stimulus, run_directory
from edgereply.errors import SettingError

if TYPE_CHECKING:
    from edgereply.api.series import SavedSeries
    from edgereply.config.settings import Bench
    from edgereply.measurement.interleaved import Compared
    from edgereply.measurement.measure import Procedure
    from edgereply.measurement.run import Watcher

# Gives the watcher of a block: from the board, the block's bench, its condition, and how far the whole is.
MakeWatch = Callable[[str, "Bench", str, Callable[[], Any]], AbstractContextManager["Watcher"]]


def measure_blocks(
    bench: BenchSource, board: str, axes: Mapping[str, Sequence[str]], stimulus: Mapping[str, Any], rounds: int,
    order_seed: int, out: Path | None, make_watch: MakeWatch, procedure: Procedure, matters: float = MATTERS,
) -> Compared:  # fmt: skip
    """Measure every combination once a round; trouble raises, Ctrl-C is in what is returned.

    Args:
        bench: as it was given.
        board: of the bench; not needed when it has one.
        axes: values of routes, waits and responders; an axis without any keeps what the bench says.
        stimulus: `count` and `rate` in place of the bench's; None leaves that.
        rounds: how often each combination is measured.
        order_seed: of the order of the blocks.
        out: series directory to make; runs/TIME-BOARD-ROUTE-WAIT-compare when None.
        make_watch: see `MakeWatch`.
        procedure: how it goes.
        matters: the smallest change that counts, a part of the whole.

    Raises:
        SettingError, DataError, HostError: as measuring does; blocks measured are kept.
    """
    from edgereply.measurement.interleaved import compare_conditions, conditions_of

    data = lay_stimulus(bench.data, bench.where, dict(stimulus))
    checked = parse_bench(data, bench.where)
    name, settings = checked.pick(board)
    conditions = conditions_of(
        list(axes.get("routes", ())) or [settings.route], list(axes.get("waits", ())) or [settings.wait],
        list(axes.get("responders", ())) or [settings.responder],
    )  # fmt: skip
    directory = out or run_directory(checked, board).with_name(run_directory(checked, board).name + "-compare")
    return compare_conditions(
        data, name, conditions, rounds, directory, order_seed,
        lambda block, condition, whole: make_watch(name, block, condition, whole), procedure, matters,
    )  # fmt: skip


def measure_in_turns(
    bench: str | Path | Mapping[str, Any], *, routes: Sequence[str] = (), waits: Sequence[str] = (),
    responders: Sequence[str] = (), rounds: int = 8, count: int | None = None, rate: str | None = None,
    order_seed: int = 1, board: str = "", out: str | Path | None = None, prove_wires: bool = True,
    say: Say | None = None,
) -> SavedSeries:  # fmt: skip
    """Measure routes, waits or responders of one board in blocks of random order; blocks until it has ended.

    What `edgereply compare --routes chardev,gpiod` does. The series' `compare()` says what differs.

    Args:
        bench: a bench file, or what would stand in one.
        routes: to compare, such as ["chardev", "gpiod"]; none keeps the bench's.
        waits: to compare: block, spin.
        responders: to compare: agent, floor.
        rounds: how often each is measured; 6 is the least that gives intervals.
        count: stimuli a block.
        rate: mean rate of the stimuli, such as "200/s".
        order_seed: of the order of the blocks.
        board: of the bench; not needed when it has one.
        out: series directory to make; runs/TIME-BOARD-ROUTE-WAIT-compare when None.
        prove_wires: check the wires with slow pulses first.
        say: called with one line on what happens next.

    Raises:
        SettingError: nothing to compare; bench or options are wrong, or board or source cannot do what is asked.
        DataError: the directory is used.
        LinkError, BoardError, SourceError: they failed; blocks measured are kept.
        StoreError: the disk takes nothing more.
        KeyboardInterrupt: Ctrl-C; every block measured is kept, see the notes.
    """
    from edgereply.api.series import SavedSeries
    from edgereply.measurement.measure import Procedure

    axes = {"routes": routes, "waits": waits, "responders": responders}
    if not any(axes.values()):
        raise SettingError(
            "nothing to compare", where="measure_in_turns", remedy="give routes, waits or responders, two or more"
        )
    if not 1 <= rounds <= 1000:
        raise SettingError(f"{rounds} is not from 1 to 1000", where="rounds", remedy="give 6 or more for intervals")
    given = bench_source(bench)
    procedure = Procedure(say=say or quietly, repeat=[], bench_file=given.file, prove_wires=prove_wires)
    done = measure_blocks(
        given, board, axes, {"count": count, "rate": rate}, rounds, order_seed, None if out is None else Path(out),
        lambda *_: nullcontext(unwatched), procedure,
    )  # fmt: skip
    raise_ended(KeyboardInterrupt() if done.interrupted else None, f"every block measured is kept in {done.directory}")
    return SavedSeries(done.directory)
