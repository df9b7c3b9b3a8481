"""Conditions measured in turns, as lines of text."""

from edgereply.cli.common import say
from edgereply.cli.compare_runs import headlines
from edgereply.cli.on_terminal import print_conditions
from edgereply.comparison.compare import Comparison
from edgereply.measurement.interleaved import METHOD, Compared
from edgereply.report.terminal.result import print_result
from edgereply.wording.folding import tell
from edgereply.wording.numbers import duration


def print_interleaved(result: Compared, details: bool) -> None:
    """Print what a comparison in blocks ends with.

    Args:
        result: the comparison; without a complete round it says only where the series is.
        details: print the table, the distributions and how everything was judged before it.
    """
    written = f"series written to {result.directory}"
    if result.comparison is None:
        say(written)
        return
    if details:
        print_result(list(result.views.values()))
        for line in (*cpu_lines(result.cpu_ns), *difference_lines(result.comparison)):
            tell(line)
        tell()
    said = [] if details else result.comparison.sentences
    steps = [written, f"next: edgereply report {result.directory} -o report.html"]
    print_conditions(headlines(result.comparison), said, steps)


def cpu_lines(cpu_ns: dict[str, float]) -> list[str]:
    """One line a condition; none where the board does not tell."""
    if not cpu_ns:
        return []
    lines = [f"  {name}: {duration(int(value))}" for name, value in cpu_ns.items()]
    return ["", "CPU time of the responder per answer", *lines]


def difference_lines(comparison: Comparison | None) -> list[str]:
    """One line a pair and figure, and how they were judged."""
    if comparison is None or not comparison.sentences:
        return []
    lines = [f"  {sentence}" for sentence in comparison.sentences]
    return ["", "Differences of the reaction time, round by round", *lines, "", METHOD, *comparison.method]
