"""Differences between conditions, as lines of text."""

from edgereply.comparison.compare import Comparison
from edgereply.measurement.interleaved import METHOD
from edgereply.wording.folding import tell
from edgereply.wording.numbers import duration


def print_differences(comparison: Comparison | None) -> None:
    """Print what differs by enough to matter."""
    for line in difference_lines(comparison):
        tell(line)


def print_cpu(cpu_ns: dict[str, float]) -> None:
    """Print what an answer costs the board's processor."""
    for line in cpu_lines(cpu_ns):
        tell(line)


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
