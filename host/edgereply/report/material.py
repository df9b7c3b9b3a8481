"""Runs and series from the disk into everything a report shows: evaluated, judged, explained, compared."""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from edgereply.analysis.arrays.chunks import both
from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.analysis.lateness.explain import Explanation
from edgereply.analysis.statistics.equivalence import MATTERS
from edgereply.comparison.advice import Advice, advise
from edgereply.comparison.compare import Comparison, compare_entries
from edgereply.comparison.contrasts import contrasts
from edgereply.comparison.entries import Entry, EvaluatedRun, evaluated, make_entry, part_of
from edgereply.comparison.series_blocks import Blocks, blocks_of
from edgereply.errors import DataError
from edgereply.evaluation.cautions import cautions
from edgereply.evaluation.characteristics import Characteristics, characterise
from edgereply.evaluation.description import describe
from edgereply.evaluation.evaluate import Evaluation
from edgereply.evaluation.explanation import (
    began,
    context_sentences,
    explain_run,
    explainable,
    limit_words,
    relate_context,
)
from edgereply.evaluation.explanation import sentences as explanation_sentences
from edgereply.evaluation.hold_up_words import hold_up_sentences, not_recorded
from edgereply.evaluation.hold_ups import find_hold_ups
from edgereply.evaluation.load_view import make_view
from edgereply.evaluation.pooling import pool
from edgereply.evaluation.run_view import Folded, RunView
from edgereply.evaluation.verdict import check_shares, judge_run
from edgereply.evaluation.verdict_sentences import sentences as verdict_sentences
from edgereply.storage.bench_from_record import bench_of_run, bench_of_series
from edgereply.storage.run_reader import RunReader
from edgereply.storage.series_record import SeriesRecord, load_series
from edgereply.wording.numbers import rounds_together

CONFIDENCE: Final = 0.95
# Looking for periods takes time that grows faster than a run; a stretch of this length shows what there is.
MOST_EXPLAINED: Final = 200_000


@dataclass(frozen=True, slots=True, eq=False)
class Material:
    """What a report is made of.

    Attributes:
        views: runs and conditions, in the order given.
        comparison: the same compared with each other.
        title: of the page; "" where the runs give none.
        advice: what settings change, where it is about one series of a sweep.
    """

    views: list[RunView]
    comparison: Comparison
    title: str
    advice: Advice | None = None


def load_material(
    paths: Sequence[Path], deadline_ns: int | None, say: Callable[[str], None], exceed: float | None = None,
    named: Callable[[str], str] = str,
) -> Material:  # fmt: skip
    """Read, evaluate, judge, explain and compare.

    Args:
        paths: run or series directories, at least one.
        deadline_ns: judged in place of the runs' own.
        say: one line on what is being done.
        exceed: tolerated share of late answers; None tolerates none.
        named: what people call a place, where that is not its path: a run out of a bundle.

    Raises:
        SettingError: `exceed` is out of range.
        DataError: neither a run nor a series, or damaged; or a series without a complete block.
    """
    check_shares(CONFIDENCE, exceed)
    sides: list[tuple[RunView, Entry]] = []
    titles: list[str] = []
    for number, path in enumerate(paths, 1):
        before = f"{number} of {len(paths)}: " if len(paths) > 1 else ""
        if (path / "series.json").is_file():
            record = load_series(path)
            titles.append(record.title)
            for blocks in blocks_of(path, record):
                say(f"{before}{path.name}, {blocks.condition}: evaluating {len(blocks.runs)} blocks")
                if blocks.runs:
                    sides.append(_condition(path, record, blocks, deadline_ns, len(paths) > 1, exceed))
        else:
            say(f"{before}evaluating {named(str(path))} from its raw stamps")
            run = evaluated(path, deadline_ns)
            titles.append(run.record.title)
            sides.append((_run(run, exceed), make_entry(str(path), [part_of(run)])))
    return _together(sides, paths, titles, named)


def _named(side: tuple[RunView, Entry], named: Callable[[str], str]) -> tuple[RunView, Entry]:
    view, entry = side
    return (
        replace(view, notes=[named(note) for note in view.notes]),
        replace(entry, name=named(entry.name), places=tuple(map(named, entry.places)),
                trouble=tuple(map(named, entry.trouble))),
    )  # fmt: skip


def _together(
    sides: list[tuple[RunView, Entry]], paths: Sequence[Path], titles: Sequence[str], named: Callable[[str], str]
) -> Material:
    if not sides:
        where = named(str(paths[0]))
        raise DataError("no block is complete", where=where, remedy="measure the rest: sweep PLAN --resume")
    one_series = len(paths) == 1 and (paths[0] / "series.json").is_file()
    # What to keep of a setting is read from the runs once more, so their true places come first.
    entries = [side for _, side in sides]
    settings = load_series(paths[0]).conditions if one_series else {}
    advice = advise(contrasts(entries, settings, matters=MATTERS), entries) if one_series else None
    shown = [_named(side, named) for side in sides]
    entries = [side for _, side in shown]
    comparison = compare_entries(entries, one_series)
    views = _told_apart([view for view, _ in shown], entries)
    return Material(views, comparison, " / ".join(dict.fromkeys(filter(None, titles))), advice)


def _run(run: EvaluatedRun, exceed: float | None) -> RunView:
    def seen() -> tuple[RunView, Characteristics]:
        view = make_view(run.record, run.result, run.deadline_ns, str(run.place))
        view = replace(view, bench=bench_of_run(run.record), tool=run.record.tool)
        return judge_view(view, run.result, exceed), characterise(run.result, one_run=True)

    stretch = _stretch(run.result)
    if not (explainable(stretch) & (stretch.reaction_ns != NO_STAMP)).any():
        view, alike = seen()
        return replace(view, findings=describe(alike))
    (view, alike), explanation = both(seen, lambda: explain_run(stretch, None))
    findings = describe(alike)
    if stretch is not run.result:
        findings.append(
            f"What late answers have in common was looked for in the first {MOST_EXPLAINED:,} stimuli; "
            "'edgereply explain' takes them all."
        )
    limit = limit_words(explanation, stretch, view.deadline_ns, chosen=True)
    findings += explanation_sentences(explanation, limit, began(stretch))
    findings += context_sentences(relate_context(stretch, explanation.late_above_ns, RunReader(run.place).context()))
    held = find_hold_ups(RunReader(run.place), stretch, explanation)
    findings += hold_up_sentences(held) or list(filter(None, [not_recorded(run.record.in_effect)]))
    return replace(view, findings=findings, folds=_folds(explanation, stretch), hold_ups=held)


def _condition(
    directory: Path, record: SeriesRecord, blocks: Blocks, deadline_ns: int | None, named: bool, exceed: float | None
) -> tuple[RunView, Entry]:
    runs = [evaluated(run, deadline_ns) for run in blocks.runs]
    name = f"{directory.name} {blocks.condition}" if named else blocks.condition
    side = make_entry(name, [part_of(run) for run in runs], blocks.rounds, blocks.trouble)
    pooled = replace(pool([run.result for run in runs]), known_to=side.known_to)
    view = make_view(runs[0].record, pooled, side.deadline_ns, str(directory))
    seeds = ", ".join(map(str, blocks.seeds))
    requested = {**view.condition_requested, "seed": f"{seeds}, a round each"}
    in_effect = {key: value for key, value in view.condition_in_effect.items() if key != "seed"}
    view = replace(
        view,
        title=name,
        evidence=side.evidence,
        virtual=side.virtual,
        condition_requested={"rounds": len(runs), **requested},
        condition_in_effect=in_effect,
        notes=[
            f"{len(runs)} blocks put together, order seed {record.order_seed}; series {directory}, {record.created}"
        ],
        cautions=[*_cautions(runs), *rounds_together(blocks.trouble)],
        axes=record.conditions[blocks.condition],
        bench=bench_of_series(record.bench, record.plan) or bench_of_run(runs[0].record),
        tool=runs[0].record.tool,
        pooled=len(runs),
    )
    return replace(judge_view(view, pooled, exceed), findings=describe(characterise(pooled, one_run=False))), side


def _cautions(runs: Sequence[EvaluatedRun]) -> list[str]:
    """Cautions of several runs, what they count added up."""
    together = Counter(dict.fromkeys(runs[0].record.counts, 0))
    for run in runs:
        together.update(run.record.counts)
    evaluated = {name: sum(run.result.counts.get(name, 0) for run in runs) for name in ("ambiguous", "unobserved")}
    return cautions(runs[0].record.model_copy(update={"counts": dict(together)}), evaluated)


def judge_view(view: RunView, result: Evaluation, exceed: float | None = None) -> RunView:
    """The same run with its verdict, where there is a deadline and anything that can be judged by it.

    Args:
        view: made from `result`.
        result: the evaluation.
        exceed: tolerated share of late answers; None tolerates none.
    """
    if view.deadline_ns is None or not len(result.status):
        return view
    try:
        judgement = judge_run(result, view.deadline_ns, CONFIDENCE, exceed, with_tail=False)
    except DataError:
        return view
    return replace(view, judged=judgement.outcome, judgement=verdict_sentences(judgement))


def _stretch(result: Evaluation) -> Evaluation:
    if len(result.status) <= MOST_EXPLAINED:
        return result
    first = slice(MOST_EXPLAINED)
    return replace(
        result, stimulus_ns=result.stimulus_ns[first], status=result.status[first],
        reaction_ns=result.reaction_ns[first], pulse_width_ns=result.pulse_width_ns[first],
        segments={name: values[first] for name, values in result.segments.items()}, edge_ns=result.edge_ns[first],
    )  # fmt: skip


def _folds(explanation: Explanation, result: Evaluation) -> tuple[Folded, ...]:
    origin_ns = int(result.stimulus_ns[np.flatnonzero(explainable(result))[0]])
    return tuple(
        Folded(
            period_ns=found.finding.period_ns, error_ns=found.finding.error_ns, origin_ns=origin_ns,
            late_above_ns=explanation.late_above_ns, start_ns=found.finding.window.start_ns,
            width_ns=found.finding.window.width_ns, stimuli=found.finding.fold.stimuli, late=found.finding.fold.late,
        )
        for found in explanation.periods
    )  # fmt: skip


def _told_apart(views: list[RunView], sides: Sequence[Entry]) -> list[RunView]:
    """Runs that would have the same name get their directory's added."""
    taken = [view.title for view in views]
    return [
        view if taken.count(view.title) == 1 else replace(view, title=f"{view.title} · {Path(side.name).name}")
        for view, side in zip(views, sides, strict=True)
    ]
