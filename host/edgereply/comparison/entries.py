"""What a comparison or a sweep's table sets side by side: a run, or all blocks of one condition of a series."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import islice
from pathlib import Path

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.presence import NO_STAMP, present
from edgereply.analysis.arrays.uncertainty import KnownTo
from edgereply.analysis.pairing.result import unknown
from edgereply.comparison.conditions import joined_words, respects
from edgereply.comparison.series_blocks import Side, sides_of
from edgereply.evaluation.board_context import Context, pooled
from edgereply.evaluation.evaluate import Evaluation
from edgereply.evaluation.gaps import Gaps, together
from edgereply.evaluation.load_view import evaluate_run
from edgereply.evaluation.phase_lock import limiting_lock
from edgereply.storage.run_reader import RunReader
from edgereply.storage.run_record import RunRecord, graded
from edgereply.storage.series_record import SeriesRecord, load_series
from edgereply.system.workers import Each, alone

LOST_NS = 2**61
_COUNTS = ("stimuli", "responses", "missed", "spurious", "coalesced", "ambiguous", "unobserved", "late")


@dataclass(frozen=True, slots=True, eq=False)
class Entry:
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
        locked: whether the stimuli of a run kept step with a rhythm of the board and saw a part of its cycle only.
        gaps: what became of its pairs; None where its stimuli came otherwise.
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
    locked: bool = False
    gaps: Gaps | None = None

    @property
    def reaction_ns(self) -> Int64s:
        """All answers in order of time."""
        return _end_to_end(self.blocks)

    @property
    def untold(self) -> int:
        """Stimuli of whose answers it cannot be told which is whose."""
        return self.counts.get("ambiguous", 0)

    @property
    def left_out(self) -> int:
        """Stimuli in no figure: these, and those that were not watched for as long as an answer may take."""
        return self.untold + self.counts.get("unobserved", 0)

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


@dataclass(frozen=True, slots=True, eq=False)
class EntryPart:
    """What a comparison takes of one run; attributes as in `Entry`."""

    place: Path
    reaction_ns: Int64s
    outcomes_ns: Int64s
    counts: dict[str, int]
    evidence: str
    virtual: bool
    deadline_ns: int | None
    facts: dict[str, str]
    trouble: str
    context: Context
    known_to: KnownTo | None
    locked: bool
    gaps: Gaps | None = None


def _worst(known: Sequence[KnownTo]) -> KnownTo | None:
    if not known:
        return None
    return KnownTo(max(item.resolution_ns for item in known), max(item.tolerance_ppm for item in known))


def load_entries(paths: Sequence[Path], deadline_ns: int | None = None, each: Each = alone) -> list[Entry]:
    """Read runs and series; a series gives one entry for each condition.

    Args:
        paths: run or series directories.
        deadline_ns: judged in place of the runs' own.
        each: evaluates the runs.

    Raises:
        DataError: neither a run nor a series, or damaged.
    """
    sides: list[Side] = []
    for path in paths:
        if (path / "series.json").is_file():
            sides += sides_of(path, load_series(path), f"{path.name} " if len(paths) > 1 else "")
        else:
            sides.append(Side(str(path), (path,)))
    return _loaded(sides, deadline_ns, each)


def series_entries(directory: Path, record: SeriesRecord, deadline_ns: int | None) -> list[Entry]:
    """The conditions of a series, each with its complete blocks; those without any are there too, empty."""
    return _loaded(sides_of(directory, record), deadline_ns, alone)


def _loaded(sides: Sequence[Side], deadline_ns: int | None, each: Each) -> list[Entry]:
    parts = iter(each(partial(load_part, deadline_ns=deadline_ns), [run for side in sides for run in side.runs]))
    return [make_entry(side.name, list(islice(parts, len(side.runs))), side.rounds, side.trouble) for side in sides]


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


def load_part(run: Path, deadline_ns: int | None) -> EntryPart:
    """Read and evaluate what a comparison takes of a run; arguments and errors as of `evaluated`."""
    return part_of(evaluated(run, deadline_ns))


def part_of(run: EvaluatedRun) -> EntryPart:
    """What a comparison takes of an evaluated run."""
    record, result = run.record, run.result
    trouble = "" if record.state == "complete" else f"{run.place}: {record.reason or 'cut off'}"
    return EntryPart(
        run.place, present(result.reaction_ns), _outcomes(result), result.counts, result.evidence, record.virtual,
        run.deadline_ns, respects(record, result.evidence, run.deadline_ns), trouble, record.context, result.known_to,
        run.deadline_ns is not None and limiting_lock(result.stimulus_ns) is not None,  # it bears on a verdict alone
        result.gaps,
    )  # fmt: skip


def make_entry(
    name: str, parts: Sequence[EntryPart], rounds: tuple[int, ...] = (), trouble: tuple[str, ...] = ()
) -> Entry:
    """Runs of one condition as one side of a comparison.

    Args:
        name: what it is called.
        parts: of its runs, in order of time.
        rounds: of a series' blocks, one a run; empty for a single run.
        trouble: what was not complete, in words.
    """
    deadlines = {part.deadline_ns for part in parts}
    if not rounds:
        trouble += tuple(part.trouble for part in parts if part.trouble)
    return Entry(
        name=name,
        places=tuple(str(part.place) for part in parts),
        blocks=tuple(part.reaction_ns for part in parts),
        outcomes_ns=_end_to_end([part.outcomes_ns for part in parts]),
        counts={key: sum(part.counts.get(key, 0) for part in parts) for key in _COUNTS},
        evidence="+".join(sorted({part.evidence for part in parts})) or "none",
        virtual=any(part.virtual for part in parts),
        deadline_ns=deadlines.pop() if len(deadlines) == 1 else None,
        respects=joined_words([part.facts for part in parts]),
        rounds=rounds,
        trouble=trouble,
        context=pooled([part.context for part in parts]),
        known_to=_worst([part.known_to for part in parts if part.known_to is not None]),
        locked=any(part.locked for part in parts),
        gaps=together([part.gaps for part in parts]),
    )


def _end_to_end(blocks: Sequence[Int64s]) -> Int64s:
    return blocks[0] if len(blocks) == 1 else np.concatenate([np.empty(0, np.int64), *blocks])


def _outcomes(result: Evaluation) -> Int64s:
    outcomes: Int64s = result.reaction_ns[~unknown(result.status)]
    outcomes[outcomes == NO_STAMP] = LOST_NS
    return outcomes
