"""Faults injected into a virtual bench come out as counted figures.

Each fault strikes a stimulus with a given probability, so what was injected is binomial; the limits here are crossed
by chance once in 500,000 runs. What was injected exactly is known from the other clock: an edge that never reached the
board has no row there. Other programs may delay answers by more than an interval, and then the pairing may call a
stimulus ambiguous rather than guess: the exact figure lies between what is counted and that plus the ambiguous ones.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from scipy import stats
from tests.integration.commands import Done, Workplace, bench_text, explained, rows

from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.storage.run_reader import RunReader

STIMULI = 600
TAIL = 1e-6


def limits(probability: float, count: int = STIMULI) -> tuple[int, int]:
    """Binomial limits with `TAIL` beyond each."""
    low, high = stats.binom.ppf([TAIL, 1 - TAIL], count, probability)
    return int(low), int(high)


def measured(place: Workplace, options: str, deadline: str = "2ms") -> tuple[dict[str, Any], dict[str, int]]:
    """Measure with a fault. Returns the summary and the record's counts."""
    place.write(bench_text(options=options, rate="200/s", floor="4ms", count=STIMULI, deadline=deadline))
    done = place.run("measure", "--json", "--out", "run")
    assert done.code == 0, done.err
    counts = RunReader(place.root / "run").record.counts
    assert (counts["lost_edges"], counts["unrecorded"], counts["lost_records"]) == (0, 0, 0)
    summary = done.document
    kinds = sum(summary[kind] for kind in ("responses", "missed", "coalesced", "ambiguous"))
    assert summary["stimuli"] == STIMULI == kinds
    return summary, counts


def test_the_limits_are_those_of_the_binomial_distribution() -> None:
    """NIST/SEMATECH e-Handbook 1.3.6.6.18: mean np = 30, variance np(1 - p) = 28.5; six sigma less the skew."""
    low, high = limits(0.05)
    assert 30 - 6 * 28.5**0.5 < low < 30 - 4 * 28.5**0.5
    assert 30 + 4 * 28.5**0.5 < high < 30 + 6 * 28.5**0.5


def doubtful(counts: dict[str, int]) -> int:
    """Stimuli of which joining the two clocks does not say whether the board saw them."""
    return counts["stimuli"] - counts["joined"] - counts["unseen"]


def unpaired_answers(expected: int, summary: dict[str, Any]) -> None:
    """Exactly as many spurious answers; fewer only where ambiguous stimuli compete for some of them."""
    assert summary["spurious"] <= expected
    assert summary["ambiguous"] > 0 or summary["spurious"] == expected


def test_dropped_stimuli_are_missed(place: Workplace) -> None:
    summary, counts = measured(place, "drop = 0.05")
    dropped = STIMULI - rows(place.root / "run")[1]
    low, high = limits(0.05)
    assert low <= dropped <= high
    assert counts["unseen"] <= dropped <= counts["unseen"] + doubtful(counts)
    assert summary["missed"] <= dropped <= summary["missed"] + summary["ambiguous"]


def test_doubled_stimuli_leave_spurious_answers(place: Workplace) -> None:
    summary, counts = measured(place, "duplicate = 0.05")
    doubled = rows(place.root / "run")[1] - STIMULI
    low, high = limits(0.05)
    assert low <= doubled <= high
    assert doubled <= counts["extra_edges"] <= doubled + doubtful(counts)
    assert summary["missed"] == 0
    unpaired_answers(doubled, summary)


def test_answers_from_nowhere_are_spurious(place: Workplace) -> None:
    summary, counts = measured(place, "spurious = 0.05")
    rises = len(RunReader(place.root / "run").source().edges()[1])
    ghosts = rises - rows(place.root / "run")[1]
    low, high = limits(0.05)
    # A ghost that overlaps an answer makes one edge with it: one rise fewer, and if the ghost came first, a miss.
    assert low - 3 <= ghosts <= high
    assert summary["missed"] <= 3
    assert counts["extra_edges"] == 0
    unpaired_answers(ghosts + summary["missed"], summary)


def test_delayed_stimuli_are_late(place: Workplace) -> None:
    """3 ms on the way to the board, 2 ms allowed; the board's own share of each reaction tells the rest."""
    summary, _ = measured(place, "late = 0.05, late_us = 3000")
    low, high = limits(0.05)
    board = RunReader(place.root / "run").board()
    slow_itself = int(np.count_nonzero(board.set_ns - board.edge_ns > 1_000_000))
    late = summary["late"]
    # A late stamp is told from a lost and an added one, or the stimulus stays open: none becomes missed and spurious.
    assert low <= late + summary["ambiguous"]
    assert late <= high + slow_itself
    assert summary["missed"] + summary["spurious"] <= low


def test_a_stuck_input_misses_all_that_follows(place: Workplace) -> None:
    summary, _ = measured(place, "stuck_after_ms = 1000")
    stimuli, rises, _ = RunReader(place.root / "run").source().edges()
    after = int(np.count_nonzero(stimuli > rises[-1]))
    assert after > STIMULI // 3
    assert after <= summary["missed"] + summary["ambiguous"]
    assert abs((rises[-1] - stimuli[0]) - 1_000_000_000) < 500_000_000


def incomplete(place: Workplace, options: str) -> tuple[Done, Path]:
    """Measure with a fault that ends the run."""
    place.write(bench_text(options=options, rate="1000/s", count=20_000))
    done = place.run("measure", "--json", "--out", "run")
    explained(done, 3)
    run = place.root / "run"
    record = RunReader(run).record
    assert record.state == done.document["state"] == "incomplete"
    assert "check " in record.reason
    assert record.reason.split(": ", 1)[1][:30] in done.err
    report = place.run("report", "run", "-o", "page.html")
    assert report.code == 0, report.err
    assert "incomplete" in (place.root / "page.html").read_text(encoding="utf-8")
    return done, run


def test_unplugged_in_the_middle_keeps_what_came(place: Workplace) -> None:
    done, run = incomplete(place, "unplug_after = 700")
    assert "unplugged" in done.err
    # Records wait at most 50 ms in the source, and are in flight for some more.
    assert 500 <= done.document["stimuli"] <= 700
    # Only the serial line is gone; stimuli go on until the host lets the source go.
    board = RunReader(run).board()
    assert len(board.edge_ns) >= 700
    for stamps in (board.set_ns, board.clear_ns):
        assert np.count_nonzero(stamps != NO_STAMP) == len(board.edge_ns)


def test_damage_on_the_line_ends_the_run_where_it_began(place: Workplace) -> None:
    done, run = incomplete(place, "garbage = 0.003, seed = 5")
    assert "damaged" in done.err
    assert 0 < done.document["stimuli"] < 20_000
    stimuli, _, _ = RunReader(run).source().edges()
    gaps = np.diff(stimuli)
    assert gaps.min() > 0
    assert gaps.max() < 1_000_000_000
