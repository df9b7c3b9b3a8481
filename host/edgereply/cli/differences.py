"""Differences between conditions, as lines of text."""

from edgereply.analysis.statistics.block_differences import BlockDifference
from edgereply.measurement.interleaved import METHOD
from edgereply.wording.folding import tell
from edgereply.wording.numbers import duration


def print_differences(differences: dict[str, list[BlockDifference]]) -> None:
    """Print which differences are real."""
    for line in difference_lines(differences):
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


def difference_lines(differences: dict[str, list[BlockDifference]]) -> list[str]:
    """One line a pair and figure."""
    lines = ["", "Differences of the reaction time, round by round"]
    for figure, items in differences.items():
        lines += [f"  {figure.removesuffix('_ns').replace('_', '.'):<7} {describe(item)}" for item in items]
    if not differences:
        lines.append("  none can be given: the blocks are too short for any quantile")
    return [*lines, "", METHOD]


def describe(item: BlockDifference) -> str:
    """One difference in words."""
    size = duration(abs(item.median_ns))
    how = "slower" if item.median_ns > 0 else "faster"
    between = (
        f"{duration(item.low_ns)} to {duration(item.high_ns)}"
        if item.low_ns is not None and item.high_ns is not None
        else f"no interval from {item.rounds} rounds, 6 are needed"
    )
    verdict = "real" if item.real else "not told apart"
    return f"{item.second} is {size} {how} than {item.first} ({between}): {verdict}, p = {item.p_adjusted:.2g}"
