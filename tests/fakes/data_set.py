"""Runs for a data set, and the tool's own figures of them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from edgereply.analysis.statistics.summary import summarise
from edgereply.comparison.entries import load_entries
from tests.fakes.saved_runs import save_run
from tests.fakes.told_runs import save_sweep


def save_archive(folder: Path) -> Path:
    """A series of four conditions, a run of its own with answers missing and late, and one of a board named oddly."""
    save_sweep(folder / "night", rounds=6, count=300)
    for number, path in enumerate(sorted((folder / "night").glob("r0*"))):
        edit(path, lambda record, number=number: record.update(run_id=f"night-{number}"))
    save_run(folder / "alone", 400, start_ns=10**17, stamped=False)
    save_run(folder / "odd", 20, stamped=False, board="7 / gate=ä%", holes=())
    return folder


def edit(run: Path, change: Any) -> None:
    """Change what a run's record says."""
    record = json.loads((run / "run.json").read_text())
    change(record)
    (run / "run.json").write_text(json.dumps(record))


def expected(runs: Path) -> dict[str, list[int]]:
    """By condition of the series, by the tool: stimuli, answers, late, median, p99, slowest."""
    found = {}
    for entry in load_entries([runs / "night"]):
        figures = summarise(entry.reaction_ns)
        found[entry.name] = [
            entry.counts["stimuli"], figures.count, entry.counts["late"], figures.value_ns("median_ns"),
            figures.value_ns("p99_ns"), figures.max_ns,
        ]  # fmt: skip
    assert all(None not in row for row in found.values())
    return found  # type: ignore[return-value]
