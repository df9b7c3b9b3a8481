"""A measurement on the terminal while it runs, and the runs once they are finished."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from edgereply.cli.common import rows_of, say
from edgereply.errors import DataError
from edgereply.evaluation.by_pieces import words
from edgereply.evaluation.cautions import cautions
from edgereply.evaluation.headline import Headline, headline, summary_headline
from edgereply.evaluation.load_view import evaluate_run, make_view
from edgereply.evaluation.run_view import RunView
from edgereply.evaluation.verdict import judge_run
from edgereply.evaluation.verdict_sentences import sentences
from edgereply.report.terminal.answer import MOST_LINES, Screen, headline_parts, short_name, table_parts
from edgereply.storage.run_reader import RunReader
from edgereply.storage.run_record import graded
from edgereply.wording.folding import tell

# A finished run is shown without what a measurement needs.
if TYPE_CHECKING:
    from edgereply.config.settings import Bench
    from edgereply.measurement.run import Tally, Watcher
    from edgereply.report.terminal.stage import Stage
    from edgereply.sources.base import SourceBatch
    from edgereply.wording.progress import SeriesProgress

CONFIDENCE: Final = 0.95


@contextlib.contextmanager
def watching(
    bench: Bench,
    board: str,
    label: str = "",
    whole: Callable[[], SeriesProgress] | None = None,
    stage: Stage | None = None,
) -> Iterator[Watcher]:
    """A live view fed by the run.

    Args:
        label: what is measured, in place of the board and how it answers.
        whole: says how far the series is that the run belongs to.
        stage: where several measurements are watched at the same time.
    """
    from edgereply.config.choices import SOURCES
    from edgereply.measurement.live_pairs import LivePairs
    from edgereply.report.terminal.live import LiveView

    name, settings = bench.pick(board)
    source = bench.source_of(name)
    virtual = SOURCES[source.kind].virtual or source.virtual
    view = LiveView(label or f"{name} · {settings.how}", "measuring", virtual, bench.deadline, whole=whole, stage=stage)

    pairs, missed = LivePairs(bench.stimulus.window), 0

    def watch(tally: Tally, batch: SourceBatch | None) -> None:
        nonlocal missed
        settled = pairs.add(batch)
        missed += settled.missed
        shown = missed if tally.captures else None
        view.update(tally.elapsed_s, tally.stimuli, tally.expected, None, shown, settled.reaction_ns)

    with view:
        yield watch


def judged(directory: Path) -> RunView | None:
    """A finished run with the verdict on its deadline, from its raw stamps; None where it was evaluated by pieces.

    Raises:
        DataError: the run cannot be read.
    """
    reader = RunReader(directory)
    record = reader.record
    if "by_pieces" in record.summary:
        return None
    result = evaluate_run(reader, record.deadline_ns)
    view = make_view(record, result, record.deadline_ns, str(directory))
    if record.deadline_ns is None or not len(result.status):
        return view
    try:
        found = judge_run(result, record.deadline_ns, CONFIDENCE, None, with_tail=False)
    except DataError:
        return view
    return replace(view, judged=found.outcome, judgement=sentences(found))


def run_headline(directory: Path) -> tuple[Headline, RunView | None]:
    """The headline of a finished run, and the run itself unless it was evaluated by pieces.

    Raises:
        DataError: the run cannot be read.
    """
    view = judged(directory)
    if view is not None:
        return headline(view), view
    record = RunReader(directory).record
    status = "" if record.state == "complete" else f"incomplete: {record.reason}"
    return summary_headline(
        record.summary, name=record.board, grade=graded(record.evidence, record.virtual),
        deadline_ns=record.deadline_ns, status=status,
    ), None  # fmt: skip


def end_with_run(directory: Path, next_steps: Sequence[str], details: bool) -> None:
    """What a measurement ends with: its answer, then on stderr what can be done next.

    Args:
        directory: of the run.
        next_steps: commands to go on with, the last of which goes first where there is no room.
        details: print every figure, the distribution and all notes before the answer.

    Raises:
        DataError: the run cannot be read.
    """
    screen = Screen()
    found, view = run_headline(directory)
    record = RunReader(directory).record
    # What could not be matched stands in the headline itself.
    notes = [*(f"note: {note}" for note in record.warnings), *(f"caution: {line}" for line in cautions(record, {}))]
    if details:
        show_figures(directory, view)
        for line in notes:
            say(line)
        tell()
    written = f"run written to {directory}"
    if notes and not details:
        count = "1 note" if len(notes) == 1 else f"{len(notes)} notes"
        written += f"; {count} and all figures: edgereply explain {directory} --details"
    below = [written, *(f"next: {step}" for step in next_steps)]
    parts = headline_parts(found, screen)
    while len(below) > 2 and sum(len(part.rows) for part in parts) + rows_of(below) > MOST_LINES:
        del below[-1]
    screen.show(parts, rows_of(below))
    for line in below:
        say(line)


def print_conditions(tops: Sequence[Headline], said: Sequence[str], next_steps: Sequence[str]) -> None:
    """What several runs or conditions beside each other end with: who keeps the deadline, a line each, what to do.

    Args:
        tops: one or more; those whose name is "A: something" are called A in sentences.
        said: sentences below the table, the most important first; as many as there is room for.
        next_steps: what to do next, whole lines for stderr.
    """
    from edgereply.comparison.condition_headlines import deadline_sentence

    screen = Screen()
    named = [replace(top, name=short_name(top.name)) for top in tops]
    bad = any(top.outcome == "fail" or top.cut for top in tops)
    answer = screen.sentence(deadline_sentence(named), style="bold red" if bad else "bold")
    below = rows_of(next_steps)
    # A line is kept for how many sentences there was no room for.
    most = MOST_LINES - below - len(answer.rows) - bool(said)
    parts = [answer, *table_parts(tops, screen, most)]
    parts += [screen.sentence(line, rank=10 + place) for place, line in enumerate(said)]
    screen.show(parts, below)
    for line in next_steps:
        say(line)


def print_sentences(
    run: Path, top: Headline, said: Sequence[str], last: str, next_steps: Sequence[str], view: RunView | None,
    details: bool, picture: bool = True,
) -> None:  # fmt: skip
    """What a command about a finished run prints: the answer, its times, and as many sentences as there is room for.

    Args:
        run: its directory.
        top: its headline.
        said: sentences after the answer, the most important first.
        last: a sentence that is always there, or "".
        next_steps: commands to go on with.
        view: the run; None where it was evaluated by pieces.
        details: print all sentences, then every figure and the distribution.
        picture: the times as a picture; False puts them into one line.

    Raises:
        DataError: the run cannot be read.
    """
    screen = Screen()
    below = [f"next: {step}" for step in next_steps]
    parts = headline_parts(top, screen, str(run), picture)
    if details:
        for part in parts:
            screen.show([part])
        tell()
        for line in (*said, last):
            tell(line)
        tell()
        show_figures(run, view)
        for line in cautions(RunReader(run).record, {"ambiguous": top.unmatched}):
            tell(f"caution: {line}")
    else:
        parts += [screen.sentence(line, rank=10 + place) for place, line in enumerate(said)]
        parts += [screen.sentence(last)] if last else []
        screen.show(parts, rows_of(below))
    for line in below:
        say(line)


def show_figures(directory: Path, view: RunView | None) -> None:
    """Print every figure of a run, and how its answers are distributed.

    Args:
        directory: of the run.
        view: the run; None where it was evaluated by pieces.

    Raises:
        DataError: the run cannot be read.
    """
    if view is not None:
        from edgereply.report.terminal.result import print_result

        print_result([view])
        return
    record = RunReader(directory).record
    tell(f"{directory} ({'virtual, ' if record.virtual else ''}{record.evidence})")
    for line in words(record.summary):
        tell(line)
