"""Who lost an edge, by the counts of a run's record."""

from __future__ import annotations

from typing import Any

import pytest

from edgereply.evaluation.cautions import cautions
from edgereply.evaluation.lost_edges import LostEdges, lost_edges
from edgereply.storage.run_record import RunRecord
from tests.fakes.records import run_record

IRQ = "33 irq_sim 4 edgereply"


def record(counts: dict[str, int], interrupts: int | None = 1000, **changes: Any) -> RunRecord:
    lines = {"input": {} if interrupts is None else {"interrupt": IRQ}, "output": {}}
    values: dict[str, Any] = {
        "state": "complete",
        "counts": {"stimuli": 1000, "lost_edges": 0, **counts},
        "in_effect": {"route": "chardev", "lost_edges_seen": True, "lines": lines},
        "environment_after": {"during": {"line_interrupts": {"34 irq_sim 7 edgereply": 9, IRQ: interrupts or 0}}},
    }
    return run_record(**(values | changes))


@pytest.mark.parametrize(
    ("counts", "interrupts", "lost", "words"),
    [
        ({"edges_read": 1000}, 1000, (0, 0, 0, 0), ""),
        (
            {"edges_read": 970},
            970,
            (30, 0, 0, 0),
            "30 never reached the kernel (no interrupt: pin, filter or controller)",
        ),
        ({"edges_read": 970}, 1000, (0, 30, 0, 0), "30 merged with another in the kernel's latch"),
        ({"edges_read": 960, "lost_edges": 40}, 1000, (0, 0, 40, 0), "40 dropped by the kernel's full queue"),
        ({"edges_read": 1000, "edges_answered": 990}, 1000, (0, 0, 0, 10), "10 not answered by the program, or on its"),
        ({"edges_read": 900, "lost_edges": 40}, 990, (10, 50, 40, 0), "10 never"),
        ({"edges_read": 1000}, 1003, (0, 3, 0, 0), "3 edges that nobody sent may hide further ones"),
        ({"edges_read": 940}, None, (None, None, 0, 0), "60 before the kernel numbered them"),
    ],
)
def test_an_edge_was_lost_between_the_last_count_that_has_it_and_the_next(
    counts: dict[str, int], interrupts: int | None, lost: tuple[int | None, ...], words: str
) -> None:
    found = lost_edges(record(counts, interrupts))
    assert found is not None
    assert (found.before_kernel, found.merged, found.queue, found.program) == lost
    assert words in found.sentence()
    assert bool(found.sentence()) == bool(words)
    told = [line for line in cautions(record(counts, interrupts), {}) if line.startswith("Edges lost on the board")]
    assert told == ([found.sentence()] if words else [])
    assert found.as_dict()["lost"] == dict(zip(("before_kernel", "merged", "queue", "program"), lost, strict=True))


@pytest.mark.parametrize(
    "changes",
    [
        {"state": "incomplete"},  # what was on its way when it was cut off is in no later count
        {"in_effect": {"route": "sysfs", "lost_edges_seen": False}},
        {"in_effect": {"route": "virtual", "lost_edges_seen": True}},
    ],
)
def test_where_the_counts_do_not_follow_each_other_nothing_is_said(changes: dict[str, Any]) -> None:
    assert lost_edges(record({"edges_read": 10}, **changes)) is None


def test_a_run_of_an_older_version_did_not_count_what_it_read() -> None:
    assert lost_edges(record({})) is None


def test_every_edge_is_accounted_for() -> None:
    lost = LostEdges(stimuli=1000, interrupts=950, numbered=900, read=880, answered=870)
    parts = (lost.before_kernel or 0, lost.merged or 0, lost.queue, lost.program)
    assert sum(parts) + lost.answered == lost.stimuli


def test_a_debounce_of_the_input_is_told_as_no_fault_of_the_board() -> None:
    lines = {"input": {"debounce_us": 5000}}
    with_it = record({"edges_read": 1000}, in_effect={"route": "chardev", "lines": lines})
    (told,) = (line for line in cautions(with_it, {}) if "debounce" in line)
    assert told.startswith("The board's input has a debounce of 5.00 ms: closer edges are filtered on purpose")
    assert not any("debounce" in line for line in cautions(record({"edges_read": 1000}), {}))
