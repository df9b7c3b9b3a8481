"""What a comparison or a sweep's table sets side by side: a run, or all blocks of one condition of a series."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from edgereply.analysis.bootstrap import QuantileEstimate, quantile_intervals
from edgereply.analysis.chunks import at_once
from edgereply.analysis.intervals import count_needed
from edgereply.analysis.pairing import Status
from edgereply.analysis.presence import NO_STAMP, present
from edgereply.analysis.uncertainty import KnownTo
from edgereply.context import Context, pooled
from edgereply.evaluate import Evaluation
from edgereply.likeness import joined_words, respects
from edgereply.records import RunRecord, graded
from edgereply.run_reader import RunReader
from edgereply.series import BlockRecord, SeriesRecord, load_series
from edgereply.views import evaluate_run

Int64s = NDArray[np.int64]

QUANTILES = {"median_ns": 0.5, "p99_ns": 0.99, "p99_9_ns": 0.999}
LOST_NS = 2**61
_COUNTS = ("stimuli", "responses", "missed", "spurious", "coalesced", "ambiguous", "late")


@dataclass(frozen=True, slots=True, eq=False)
class Entrant:
    """One side of a comparison.

    Attributes:
        name: what it is called.
        places: run directories that went into it, in order of time.
        blocks: reaction times of each run, int64 nanoseconds in order of time, answered stimuli only.
        outcomes_ns: of every stimulus whose answer can be told, in order of time; `LOST_NS` where none came.
        counts: added up over the runs.
        evidence: grade; several where the runs differ.
        virtual: whether any of them is.
        deadline_ns: what late was judged by; None without one.
        respects: in which the runs may differ from others', by name.
        rounds: of a series' blocks, one a run; empty for a single run.
        trouble: what was not complete, in words.
        context: heat, power and the like over all runs.
        known_to: how well imported times are known, the worst of the runs; None where none is imported.
    """

    name: str
    places: tuple[str, ...]
    blocks: tuple[Int64s, ...]
    outcomes_ns: Int64s
    counts: dict[str, int]
    evidence: str
    virtual: bool
    deadline_ns: int | None
    respects: dict[str, str]
    rounds: tuple[int, ...] = ()
    trouble: tuple[str, ...] = ()
    context: Context = field(default_factory=dict)
    known_to: KnownTo | None = None

    @property
    def reaction_ns(self) -> Int64s:
        """All answers in order of time."""
        return _end_to_end(self.blocks)

    @property
    def measurand(self) -> str:
        """What its reaction time is: only equal ones may be compared."""
        kind = "inside" if self.evidence == "inside" else "mixed" if "inside" in self.evidence else "loop-back"
        return graded(kind, self.virtual)

    @property
    def grade(self) -> str:
        """Grade of evidence as it stands beside every figure."""
        return graded(self.evidence, self.virtual)


@dataclass(frozen=True, slots=True, eq=False)
class EvaluatedRun:
    """A run from the disk, evaluated against a deadline."""

    place: Path
    record: RunRecord
    result: Evaluation
    deadline_ns: int | None


@dataclass(frozen=True, slots=True)
class Blocks:
    """The complete blocks of one condition, in order of time, and what is missing in words."""

    condition: str
    runs: tuple[Path, ...]
    rounds: tuple[int, ...]
    seeds: tuple[int, ...]
    trouble: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Figures:
    """Figures of an entrant, with intervals that allow for clusters.

    A quantile is None where the answers, counted as independent ones, are too few; `needed` says how many it takes.
    """

    quantiles: dict[str, QuantileEstimate | None]
    needed: dict[str, int]
    max_ns: int | None

    def as_dict(self) -> dict[str, Any]:
        """JSON-ready."""
        return {
            **{name: None if found is None else found.value_ns for name, found in self.quantiles.items()},
            "max_ns": self.max_ns,
            "ci95": {n: None if q is None else [q.low_ns, q.high_ns] for n, q in self.quantiles.items()},
            "needed": self.needed,
        }


def figures(reaction_ns: Int64s, known_to: KnownTo | None = None) -> Figures:
    """Compute the figures of some answers, int64 nanoseconds in order of time.

    Intervals are widened by what the instrument does not know (`known_to`) of imported times.
    """
    estimates = (
        quantile_intervals(reaction_ns, list(QUANTILES.values())) if reaction_ns.size else [None] * len(QUANTILES)
    )
    found = dict(zip(QUANTILES, estimates, strict=True))
    if known_to is not None:
        found = {name: None if item is None else widened(item, known_to) for name, item in found.items()}
    needed = {name: count_needed(QUANTILES[name]) for name, estimate in found.items() if estimate is None}
    return Figures(found, needed, int(reaction_ns.max()) if reaction_ns.size else None)


def widened(item: QuantileEstimate, known_to: KnownTo) -> QuantileEstimate:
    """The same with an interval wider by what the instrument does not know."""
    low_ns, high_ns = known_to.widen(item.low_ns, item.high_ns)
    return replace(item, low_ns=low_ns, high_ns=high_ns)


def _worst(known: Sequence[KnownTo]) -> KnownTo | None:
    if not known:
        return None
    return KnownTo(max(item.resolution_ns for item in known), max(item.tolerance_ppm for item in known))


def load_entrants(paths: Sequence[Path], deadline_ns: int | None = None) -> list[Entrant]:
    """Read runs and series; a series gives one entrant for each condition.

    Args:
        paths: run or series directories.
        deadline_ns: judged in place of the runs' own.

    Raises:
        DataError: neither a run nor a series, or damaged.
    """

    def load(path: Path) -> list[Entrant]:
        if (path / "series.json").is_file():
            return series_entrants(path, load_series(path), deadline_ns, f"{path.name} " if len(paths) > 1 else "")
        return [entrant(str(path), [evaluated(path, deadline_ns)])]

    return [entrant for found in at_once(load, paths) for entrant in found]


def series_entrants(directory: Path, record: SeriesRecord, deadline_ns: int | None, before: str = "") -> list[Entrant]:
    """The conditions of a series, each with its complete blocks; those without any are there too, empty."""
    return [
        entrant(
            f"{before}{blocks.condition}",
            (evaluated(run, deadline_ns) for run in blocks.runs),
            blocks.rounds,
            blocks.trouble,
        )
        for blocks in blocks_of(directory, record)
    ]


def blocks_of(directory: Path, record: SeriesRecord) -> list[Blocks]:
    """The complete blocks of every condition of a series."""
    found = []
    for condition in record.conditions:
        blocks = [block for block in record.blocks if block.condition == condition]
        whole = [block for block in blocks if block.state == "complete"]
        found.append(
            Blocks(
                condition,
                tuple(directory / block.run for block in whole),
                tuple(block.round for block in whole),
                tuple(block.seed for block in whole),
                tuple(_trouble(block) for block in blocks if block.state != "complete"),
            )
        )
    return found


def evaluated(run: Path, deadline_ns: int | None) -> EvaluatedRun:
    """Read and evaluate a run.

    Args:
        run: its directory.
        deadline_ns: judged in place of the run's own.

    Raises:
        DataError: not a run, or damaged.
    """
    reader = RunReader(run)
    limit = reader.record.deadline_ns if deadline_ns is None else deadline_ns
    return EvaluatedRun(run, reader.record, evaluate_run(reader, limit), limit)


def _trouble(block: BlockRecord) -> str:
    state = "not measured" if block.state == "planned" else block.state
    return f"round {block.round} of {block.condition}: {state}{f': {block.reason}' if block.reason else ''}"


def entrant(
    name: str, runs: Iterable[EvaluatedRun], rounds: tuple[int, ...] = (), trouble: tuple[str, ...] = ()
) -> Entrant:
    """Runs of one condition as one side of a comparison.

    Args:
        name: what it is called.
        runs: in order of time; each is let go before the next is taken.
        rounds: of a series' blocks, one a run; empty for a single run.
        trouble: what was not complete, in words.
    """
    places, blocks, outcomes, facts, evidence, virtual = [], [], [], [], [], False
    contexts: list[Context] = []
    counts = dict.fromkeys(_COUNTS, 0)
    deadlines: set[int | None] = set()
    known_to: list[KnownTo] = []
    for run in runs:
        places.append(str(run.place))
        blocks.append(present(run.result.reaction_ns))
        outcomes.append(_outcomes(run.result))
        facts.append(respects(run.record, run.result.evidence, run.deadline_ns))
        evidence.append(run.result.evidence)
        contexts.append(run.record.context)
        known_to += [run.result.known_to] if run.result.known_to is not None else []
        virtual = virtual or run.record.virtual
        deadlines.add(run.deadline_ns)
        counts = {key: counts[key] + run.result.counts.get(key, 0) for key in counts}
        if not rounds and run.record.state != "complete":
            trouble += (f"{run.place}: {run.record.reason or 'cut off'}",)
    return Entrant(
        name, tuple(places), tuple(blocks), _end_to_end(outcomes), counts,
        "+".join(sorted(set(evidence))) or "none", virtual, deadlines.pop() if len(deadlines) == 1 else None,
        joined_words(facts), rounds, trouble, pooled(contexts), _worst(known_to),
    )  # fmt: skip


def _end_to_end(blocks: Sequence[Int64s]) -> Int64s:
    return blocks[0] if len(blocks) == 1 else np.concatenate([np.empty(0, np.int64), *blocks])


def _outcomes(result: Evaluation) -> Int64s:
    outcomes: Int64s = result.reaction_ns[result.status != Status.AMBIGUOUS]
    outcomes[outcomes == NO_STAMP] = LOST_NS
    return outcomes
