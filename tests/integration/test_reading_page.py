"""docs/reading-the-numbers.md: all output on it is what its commands print, every number what can be computed again."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from tests.benchmarks.interval_coverage import FEWEST_GIVEN, POPULATIONS, exact_coverage
from tests.integration.commands import Workplace
from tests.integration.documents import ROOT, blocks

from edgereply.analysis.arrays.quantiles import quantile_rank
from edgereply.analysis.statistics.intervals import count_needed, probability_upper_bound
from edgereply.analysis.statistics.jitter import response_jitter
from edgereply.analysis.statistics.quantile_intervals import interval_count
from edgereply.analysis.statistics.tolerance import wilks_count
from edgereply.evaluation.load_view import evaluate_run
from edgereply.storage.run_reader import RunReader

PAGE = ROOT / "docs" / "reading-the-numbers.md"
LARGER = "2 bursts of 100 in 20,000"
TEXT = " ".join(PAGE.read_text(encoding="utf-8").split())


@pytest.fixture(scope="module")
def printed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """The first block of the page, run line by line: where, and what it printed."""
    place = Workplace(tmp_path_factory.mktemp("reading"))
    first = blocks(PAGE)[0]
    example = [sys.executable, str(ROOT / "examples" / "envelope_or_edges.py"), "gate.vcd"]
    assert first.text.startswith(f"python examples/{Path(example[1]).name} gate.vcd\n")
    done = subprocess.run(example, cwd=place.root, capture_output=True, text=True, check=True, timeout=60)
    said = done.stdout
    for command in first.commands():
        ran = place.run(*command)
        assert ran.code == 0, ran.err
        said += ran.out + ran.err
    return place.root / "runs" / "gate", said


def test_all_output_shown_is_what_its_commands_print(printed: tuple[Path, str]) -> None:
    shown = [line for block in blocks(PAGE) if not block.language for line in block.text.splitlines()]
    assert len(shown) >= 8
    lines = printed[1].splitlines()
    for line in shown:
        assert line in lines, line
    [uncertainty] = re.findall(r'"(each time is known to [^"]+)"', TEXT)
    assert uncertainty in printed[1]


def test_the_envelope_is_as_wrong_as_the_page_says(printed: tuple[Path, str]) -> None:
    """From the run's own stamps, by the rising edges and by the envelope: not from the example's arithmetic."""
    result = evaluate_run(RunReader(printed[0]), None)
    rise, width = result.reaction_ns, result.pulse_width_ns
    jitter = response_jitter(rise)
    assert (
        f"rises spread over {jitter.tie_peak_to_peak_ns:,} ns, standard deviation {jitter.tie_std_ns:,.0f} ns" in TEXT
    )
    envelope = int((rise + width).max() - rise.min())
    seen = envelope - 100_000
    assert jitter.tie_peak_to_peak_ns is not None
    said = f"envelope: {envelope:,} ns wide, minus 100,000 ns nominal is {seen:,} ns: "
    assert f"{said}{seen / jitter.tie_peak_to_peak_ns:.1f} times the truth" in TEXT
    short = int(300_000 - rise.min() - np.median(300_000 - rise))
    assert f"{short:,} ns, {short / jitter.tie_peak_to_peak_ns:.2f} times" in TEXT


def test_every_number_in_the_prose_is_computed() -> None:
    needed = {p: count_needed(p) for p in (0.5, 0.9, 0.99, 0.999)}
    # By the definition, with scipy's binomial: the smallest n whose largest value is above the quantile in 97.5 %.
    for p, count in needed.items():
        assert stats.binom.pmf(count, count, p) <= 0.025 < stats.binom.pmf(count - 1, count - 1, p)
    assert f"{needed[0.5]} answers for the median, {needed[0.9]} for p90, {needed[0.99]} for p99 and" in TEXT
    assert f"and {needed[0.999]:,} for p99.9" in TEXT
    tens = [interval_count(p) for p in (0.9, 0.99, 0.999)]
    # Ten times as many, real numbers: none of a group of ten is seen with 2.5 %, by scipy's binomial.
    for p, count in zip((0.9, 0.99, 0.999), tens, strict=True):
        assert stats.binom.pmf(0, count // 10, 1 - p) > 0.024
        assert stats.binom.pmf(0, count // 10 + 1, 1 - p) <= 0.025
    assert f"{tens[0]:,} for p90, {tens[1]:,} for p99, {tens[2]:,} for p99.9" in TEXT
    assert f"with 4,000 answers p99.9 is the {quantile_rank(4_000, 0.999):,}th" in TEXT
    assert f"{wilks_count(0.95)} answers to bound 95 % by the slowest one, {wilks_count(0.99)} for 99 %" in TEXT
    assert f"{wilks_count(0.999):,} for 99.9 %" in TEXT
    bound = probability_upper_bound(0, 4_000)
    assert stats.binom.pmf(0, 4_000, bound) == pytest.approx(0.05)
    assert f"3/4,000 is {3 / 4_000:g}" in TEXT
    assert f"one in {round(1 / bound):,} is not ruled out" in TEXT


def test_what_a_long_memory_is_worth() -> None:
    """Signs of a Gaussian chain with correlation r are correlated by 2/π asin r (Sheppard 1899)."""
    correlation = 2 / np.pi * np.arcsin(0.95 ** np.arange(1, 2_000))
    worth = 4_000 / (1 + 2 * correlation.sum())
    assert f"4,000 answers are worth about {round(worth, -1):.0f} for the median" in TEXT


def test_the_table_of_coverage_has_every_case_and_its_exact_values() -> None:
    [repeats] = (int(found.replace(",", "")) for found in re.findall(r"([\d,]+) runs a line", TEXT))
    rows = re.findall(
        r"^\| ([a-z0-9, ]+) \| ([\d,]+) \| (p\d+) \| ([\d.]+|–) \| ([\d.]+|–) \| ([\d.]+) \| ([\d.]+) \|$",
        PAGE.read_text("utf-8"),
        re.MULTILINE,
    )
    assert [(row[0], row[2]) for row in rows] == [(name, p) for name in POPULATIONS for p in ("p50", "p90", "p99")]
    [(larger, without, of_runs)] = re.findall(
        r"\*([^*]+)\* shows it: in (\d+) of the (\d+) runs no disturbance came", TEXT
    )
    assert (larger, int(of_runs)) == (LARGER, repeats)
    # Two disturbances are expected: none comes with e^−2 (Poisson).
    assert abs(int(without) / repeats - np.exp(-2)) < 5 * np.sqrt(np.exp(-2) / repeats)
    for name, answers, p, held, exact, given, wrong in rows:
        count = POPULATIONS[name].answers or 4_000
        assert answers == f"{count:,}"
        known = exact_coverage(POPULATIONS[name], int(p[1:]) / 100, count)
        assert exact == ("–" if known is None else f"{100 * known:.1f}"), (name, p)
        assert (held == "–") == (float(given) < 100 * FEWEST_GIVEN)
        # A run in twenty, and three standard errors, of those that saw what they are to be judged for: of groups larger
        # than the intervals allow for unseen, the page tells how many runs saw none.
        unseen = 100 * int(without) / repeats if name == LARGER and p != "p50" else 0.0
        assert float(wrong) - unseen <= 5 + 300 * np.sqrt(0.05 * 0.95 / repeats), (name, p)
        if known is not None:
            # Within five standard errors; what looks clustered by chance (1 %) is held more often.
            error = np.sqrt(known * (1 - known) / repeats) + 0.5 / repeats
            assert -5 * error < float(held) / 100 - known < 5 * error + 0.005, (name, p)
