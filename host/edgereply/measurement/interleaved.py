"""Compare conditions on one board: interleaved blocks in random order, and what differs for real."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import Any

from edgereply.analysis.statistics.equivalence import MATTERS
from edgereply.comparison.compare import Comparison, compare_entries
from edgereply.comparison.entries import series_entries
from edgereply.config.choices import OUR_RESPONDERS
from edgereply.config.overrides import override
from edgereply.config.settings import Bench
from edgereply.errors import DataError, SettingError
from edgereply.evaluation.load_view import load_view, pool_views
from edgereply.evaluation.run_view import RunView
from edgereply.measurement.measure import Procedure, block_words, opened
from edgereply.measurement.pace import PlainBlock, SeriesClock
from edgereply.measurement.run import Watcher
from edgereply.storage.run_reader import RunReader
from edgereply.storage.run_record import now_iso
from edgereply.storage.series_record import SeriesRecord, plan_blocks, save_series
from edgereply.version import TOOL
from edgereply.wording.progress import SeriesProgress

METHOD = "Every condition once a round, in random order, same seed of arrivals in a round."


@dataclass(frozen=True, slots=True)
class Compared:
    """The outcome of a comparison.

    Attributes:
        directory: of the series.
        record: plan, order and state of every block.
        views: by condition, all complete rounds pooled.
        comparison: of the conditions, round by round; None without a complete round.
        cpu_ns: by condition, the responder's CPU time per answer over all complete blocks, where the board tells it.
        interrupted: True when the user stopped it; complete rounds are evaluated all the same.
    """

    directory: Path
    record: SeriesRecord
    views: dict[str, RunView]
    comparison: Comparison | None
    cpu_ns: dict[str, float]
    interrupted: bool

    def as_dict(self) -> dict[str, Any]:
        """JSON-ready."""
        return {
            "series": str(self.directory),
            "method": METHOD,
            "rounds": max((block.round for block in self.record.blocks), default=0),
            "conditions": {name: dict(view.summary) for name, view in self.views.items()},
            "comparison": None if self.comparison is None else self.comparison.as_dict(),
            "cpu_ns_per_answer": self.cpu_ns,
            "interrupted": self.interrupted,
        }


def conditions_of(routes: list[str], waits: list[str], responders: list[str]) -> dict[str, dict[str, str]]:
    """The conditions to compare, by name: every route with every wait strategy and every responder.

    Raises:
        SettingError: responders that do not run on one and the same open bench.
    """
    if len(responders) > 1 and not set(responders) <= set(OUR_RESPONDERS):
        raise SettingError(
            "only the responders agent and floor are measured in turn", where="--responders",
            remedy="measure the others by themselves, then compare the runs",
        )  # fmt: skip
    axes = {"route": routes, "wait": waits, "responder": responders}
    naming = ["route", *(axis for axis in ("wait", "responder") if len(axes[axis]) > 1)]
    settings = [dict(zip(axes, values, strict=True)) for values in product(*axes.values())]
    return {"-".join(item[axis] for axis in naming): item for item in settings}


def compare_conditions(
    data: dict[str, Any],
    board: str,
    conditions: dict[str, dict[str, str]],
    rounds: int,
    directory: Path,
    order_seed: int,
    make_watch: Callable[[Bench, str, Callable[[], SeriesProgress]], AbstractContextManager[Watcher]],
    procedure: Procedure,
    matters: float = MATTERS,
) -> Compared:
    """Measure all blocks and evaluate them.

    Args:
        data: contents of the bench file; its `stimulus.count` is for one block.
        board: the board, "" for the only one.
        conditions: from `conditions_of`.
        rounds: how often each condition is measured; 6 is the least that gives intervals.
        directory: of the series; must be new or empty.
        order_seed: of the order of the blocks.
        make_watch: context manager that gives the watcher of a block, from its bench, its condition and a function
            that says how far the whole is.
        procedure: how it goes; its bench file is where `data` is from.
        matters: the smallest change that counts, a part of the whole.

    Raises:
        HostError: as measuring does. Blocks measured before are kept.
    """
    where = str(procedure.bench_file or "")
    base = override(data, where, board, {}, {}, {}, {})
    name, _ = base.pick(board)
    record = SeriesRecord(
        tool=TOOL,
        created=now_iso(),
        board=name,
        title=base.title,
        order_seed=order_seed,
        conditions=conditions,
        blocks=plan_blocks(list(conditions), rounds, order_seed, base.stimulus.seed),
    )
    if directory.exists() and any(directory.iterdir()):
        raise DataError("the series directory is not empty", where=str(directory), remedy="choose another --out")
    benches = [
        override(data, where, board, conditions[block.condition], {}, {"seed": block.seed}, {})
        for block in record.blocks
    ]
    save_series(directory, record)
    interrupted = False
    with opened(benches[0], board, procedure.say, procedure.bench_file) as ready:
        if procedure.prove_wires:
            ready.prove_wires()
        planned = [PlainBlock(name, bench.stimulus.stimuli * bench.stimulus.rate / 1e9) for bench in benches]
        clock = SeriesClock(len(benches))
        for index, (block, bench) in enumerate(zip(record.blocks, benches, strict=True)):
            clock.begin(planned[index:])
            with make_watch(bench, block.condition, clock.progress) as watch:
                measured = ready.measure(bench, directory / block.run, watch, procedure.repeat, in_series=True)
            block.state = "complete" if measured.outcome.state == "complete" else "incomplete"
            block.reason = measured.outcome.reason
            save_series(directory, record)
            interrupted = measured.outcome.interrupted
            if measured.outcome.error is not None:
                raise measured.outcome.error
            if interrupted:
                break
            clock.end(planned[index])
            procedure.say(f"block {index + 1}/{len(benches)} {block.condition}: {block_words(measured.record)}")
    views = pooled_rounds(directory, record)
    comparison = compare_entries(series_entries(directory, record, None), True, matters=matters) if views else None
    return Compared(directory, record, views, comparison, cpu_per_answer(directory, record), interrupted)


def cpu_per_answer(directory: Path, record: SeriesRecord) -> dict[str, float]:
    """The responder's CPU time per answer, ns, by condition; a condition is left out where the board does not tell it.

    Raises:
        DataError: a run cannot be read.
    """
    used: dict[str, int] = {}
    answers: dict[str, int] = {}
    for block in record.blocks:
        if block.state == "complete":
            run = RunReader(directory / block.run).record
            spent = run.environment_after.get("during", {}).get("cpu_ns", {}).get("responder")
            if isinstance(spent, int) and spent > 0 and run.counts.get("responses"):
                used[block.condition] = used.get(block.condition, 0) + spent
                answers[block.condition] = answers.get(block.condition, 0) + run.counts["responses"]
    return {name: used[name] / answers[name] for name in record.conditions if name in used}


def pooled_rounds(directory: Path, record: SeriesRecord) -> dict[str, RunView]:
    """Each condition's answers of the rounds in which every condition is complete; none without such a round.

    Raises:
        DataError: a run cannot be read.
    """
    whole = [
        number
        for number in sorted({block.round for block in record.blocks})
        if all(block.state == "complete" for block in record.blocks if block.round == number)
    ]
    if not whole:
        return {}
    by_condition = {
        name: [load_view(directory / b.run) for b in record.blocks if b.condition == name and b.round in whole]
        for name in record.conditions
    }
    return {name: pool_views(name, views) for name, views in by_condition.items()}
