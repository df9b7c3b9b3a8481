"""Finished runs and series side by side on the terminal."""

from collections.abc import Sequence
from pathlib import Path

from edgereply.cli.on_terminal import print_conditions
from edgereply.comparison.baseline import BaselineCheck, check_runs, parse_rule, sentences
from edgereply.comparison.compare import Comparison
from edgereply.comparison.condition_headlines import entry_headline
from edgereply.comparison.conditions import compared_words, difference_words, differing
from edgereply.comparison.entries import Entry, load_entries
from edgereply.errors import SettingError
from edgereply.evaluation.headline import Headline
from edgereply.report.tables.lines import comparison_lines
from edgereply.report.tables.rows import TableLine
from edgereply.report.terminal.sheet import print_sheet
from edgereply.wording.evidence import measured_by
from edgereply.wording.folding import tell
from edgereply.wording.numbers import rounds_together

MOST_NAMED = 4


def print_comparison(comparison: Comparison, paths: Sequence[Path], details: bool) -> None:
    """Print who keeps the deadline and a line for each run; with details the whole comparison before it.

    Args:
        comparison: of the runs.
        paths: as they were given, for the commands to go on with.
        details: the table with intervals, what differs, and what the figures are worth against each other.
    """
    if details:
        _print_whole(comparison)
        tell()
    said = [*comparison.sentences, *comparison.words]
    if len(comparison.places) > 1:
        said.insert(0, compared_words(comparison.differences))
    runs = " ".join(map(str, paths)) if len(paths) <= MOST_NAMED else "RUN ..."
    steps = [f"next: edgereply report {runs} -o report.html"]
    print_conditions(headlines(comparison), [] if details else said, steps)


def headlines(comparison: Comparison) -> list[Headline]:
    """The sides of a comparison, each named by its letter first."""
    return [entry_headline(place.entry, f"{place.short}: {place.entry.name}") for place in comparison.places]


def _print_whole(comparison: Comparison) -> None:
    headings, cells, notes = comparison_lines(comparison)
    lines = [
        TableLine(f"{place.short}: {place.entry.name}", line, place.entry.grade, bool(place.entry.trouble))
        for place, line in zip(comparison.places, cells, strict=True)
    ]
    print_sheet(["run", *headings, "measured by"], lines)
    for note in notes:
        tell(note)
    for place in comparison.places:
        for trouble in rounds_together(place.entry.trouble):
            tell(f"! {place.short}: {trouble}")
    tell()
    if len(comparison.places) > 1:
        tell(compared_words(comparison.differences))
        for respect, values in comparison.differences.items():
            tell(f"  {respect}: {difference_words(values)}")
    for line in comparison.sentences:
        tell(line)
    for line in (*comparison.words, *comparison.method):
        tell(line)


def check_finished(
    baseline: Path, runs: Sequence[Path], rules: Sequence[str], confidence: float
) -> tuple[Entry, list[BaselineCheck], dict[str, dict[str, list[str]]]]:
    """Hold finished runs against a baseline.

    Returns:
        The baseline, every check, and the respects in which they differ: by value, who has it.

    Raises:
        SettingError: a rule is no rule, the baseline has several conditions, or times are not the same thing.
        DataError: neither a run nor a series, damaged, or without stimuli.
    """
    parsed = [parse_rule(rule) for rule in rules]
    base = load_entries([baseline])
    if len(base) != 1:
        raise SettingError(
            f"the baseline has {len(base)} conditions: {', '.join(entry.name for entry in base)}",
            where=str(baseline),
            remedy="give a series of one condition, or one of its run directories",
        )
    taken = load_entries(runs)
    checks = check_runs(base[0], taken, parsed, confidence)
    named = [("baseline", base[0].respects), *((entry.name, entry.respects) for entry in taken)]
    return base[0], checks, differing(named)


def print_checks(
    base: Entry, checks: Sequence[BaselineCheck], differences: dict[str, dict[str, list[str]]], confidence: float
) -> None:
    """Print every check in words, after what is not like for like."""
    tell(f"Baseline {base.name} (measured by: {measured_by(base.evidence, base.virtual)})")
    for respect, values in differences.items():
        tell(f"  differs in {respect}: {difference_words(values)}")
    for line in sentences(checks, confidence):
        tell(line)
