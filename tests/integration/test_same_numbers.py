"""One run asked by every command: the same figure is the same number, or the same reason, wherever it stands."""

from __future__ import annotations

import csv
import html
import io
import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from tests.fakes.saved_runs import DEADLINE_NS, closed_record, record, save_run
from tests.integration.commands import Done, Workplace

from edgereply.comparison.entries import load_entries
from edgereply.report.tables.sweep_table import document, rows
from edgereply.storage.run_reader import RunReader
from edgereply.storage.run_writer import RunWriter
from edgereply.storage.series_record import SeriesRecord
from edgereply.wording.numbers import ROUGH, duration

ROOT = Path(__file__).parents[2]
QUANTILES = ("median_ns", "p90_ns", "p99_ns", "p99_9_ns")
RUNS = ("rough", "short", "lost")
ALL = (*RUNS, "steady")


class Asked(Workplace):
    """A workplace whose runs nobody changes, so that a command is run once."""

    def __init__(self, root: Path) -> None:
        super().__init__(root)
        self._done: dict[tuple[str, ...], Done] = {}

    def run(self, *arguments: str, **more_env: str) -> Done:
        """Run a command to its end, or give what it gave before."""
        if arguments not in self._done:
            self._done[arguments] = super().run(*arguments, **more_env)
            assert not self._done[arguments].err.startswith("error"), self._done[arguments].err
        return self._done[arguments]


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Asked]:
    """8,000 answers with two bursts of late ones; 300; 20 of 8,000 stimuli unanswered; 40,000 steady ones."""
    place = Asked(tmp_path_factory.mktemp("same"))
    for name, count, holes in zip(ALL, (8_000, 300, 8_000, 40_000), ((), (), range(0, 8_000, 400), ()), strict=True):
        reaction = 30_000 + np.random.default_rng(3).integers(0, 9_000, count)
        if name == "rough":
            for start in (1_000, 5_000):
                reaction[start : start + 12] += 900_000
        save_run(place.root / name, count, holes=tuple(holes), reaction_ns=reaction.astype(np.int64), title=name)
    yield place
    place.nothing_left()


def _recorded(place: Workplace) -> list[dict[str, Any]]:
    return [RunReader(place.root / name).record.summary["reaction"] for name in RUNS]


def test_the_runs_show_what_they_are_made_for(runs: Asked) -> None:
    rough, short, lost = _recorded(runs)
    assert rough["rough"] == ["p99_9_ns", "tail_spread_ns"]
    assert rough["p99_9_ns"] > 900_000
    assert rough["needed"] == {}
    assert (short["p99_ns"], short["needed"]) == (None, {"p99_ns": 368, "p99_9_ns": 3_688})
    assert lost["count"] == 7_980


def test_every_json_has_the_figures_of_the_record(runs: Asked) -> None:
    recorded = _recorded(runs)
    compared = runs.run("compare", *RUNS, "--json").document
    assert [run["reaction"] for run in compared["runs"]] == recorded
    reported = runs.run("report", *RUNS, "--json", "-o", "page.html").document
    assert [run["reaction"] for run in reported["runs"]] == recorded
    entries = load_entries([runs.root / name for name in RUNS])
    series = SeriesRecord(
        tool="t", created="2026-01-01", board="gate", title="", order_seed=1, blocks=[],
        conditions={entry.name: {} for entry in entries},
    )  # fmt: skip
    swept = document(runs.root, series, rows(entries), False, "")
    assert [item["reaction"] for item in json.loads(json.dumps(swept))["conditions"]] == recorded


def test_by_pieces_agrees_to_within_its_error_and_on_what_it_cannot_say(runs: Asked) -> None:
    for name, recorded in zip(RUNS, _recorded(runs), strict=True):
        found = runs.run("verdict", name, "--by-pieces", "--json").document["summary"]["reaction"]
        assert set(found) == set(recorded)
        assert found["needed"] == recorded["needed"]
        for figure in ("count", "min_ns", "max_ns", *QUANTILES):
            exact = recorded[figure]
            assert found[figure] is None if exact is None else abs(found[figure] - exact) <= exact / 4_096, figure


def test_tables_for_programs_have_the_same_numbers_and_reasons(runs: Asked) -> None:
    recorded = _recorded(runs)
    compared = runs.run("compare", *RUNS, "--json").document["runs"]
    for suffix in ("json", "csv"):
        beside = _table(runs, "comparison", suffix)
        single = {
            (row["run"], row["figure"]): row for row in _table(runs, "summary", suffix) if row["sample"] == "reaction"
        }
        for row, told, run in zip(beside, recorded, compared, strict=True):
            for name in QUANTILES:
                stem, ends = name.removesuffix("_ns"), told["ci95"][name] or (None, None)
                known = (told[name], *ends, name in told["rough"], told["needed"].get(name))
                columns = (name, f"{stem}_ci95_low_ns", f"{stem}_ci95_high_ns", f"{stem}_rough", f"{stem}_needed")
                assert _plain(row[column] for column in columns) == _plain(known)
                alone = single[row["run"], name]
                assert _plain(alone[c] for c in ("value", "ci95_low", "ci95_high", "rough", "needed")) == _plain(known)
            assert _plain([row["margin_ns"], row["margin_why_not"]]) == _plain(
                [run["margin_ns"], run["margin_why_not"]]
            )


def test_the_margin_is_the_same_everywhere_and_says_why_there_is_none(runs: Asked) -> None:
    told = runs.run("compare", *RUNS, "--json").document["runs"]
    whys = [run["margin_why_not"] for run in told]
    assert whys == [ROUGH, "needs 3,688 answers", "too many stimuli without an answer"]
    [steady] = runs.run("compare", "steady", "--json").document["runs"]
    assert steady["margin_ns"] == DEADLINE_NS - steady["reaction"]["ci95"]["p99_9_ns"][1]
    assert f"  {duration(steady['margin_ns'])}  " in runs.run("compare", "steady", "--details").out


def test_screens_and_the_page_show_them(runs: Asked) -> None:
    rough, short, _ = _recorded(runs)
    screen = runs.run("compare", *RUNS, "--details").out
    runs.run("report", *RUNS, "-o", "page.html")
    page = html.unescape((runs.root / "page.html").read_text(encoding="utf-8"))
    table = runs.run("report", *RUNS, "--table", "summary").out
    for text, marked in ((screen, "(rough)"), (page, "(rough)"), (page, ROUGH), (table, ROUGH)):
        assert marked in text
        assert duration(rough["p99_9_ns"]) in text
        assert "needs 3,688 answers" in text
        assert duration(short["median_ns"]) in text
    assert f"{duration(rough['p99_9_ns'])} (rough)" in screen


def test_the_example_agrees_or_says_why_it_cannot(runs: Asked) -> None:
    rough, short, _ = _recorded(runs)
    for name, told in (("rough", rough), ("short", short)):
        found = json.loads(_example(runs, name).stdout)
        assert found["reaction_median_ns"] == told["median_ns"]
        assert found["reaction_p99_ns"] == told["p99_ns"]
    # As many rises as stimuli, but one answer was missed and one came that nobody asked for, between two others.
    stimulus = 10_000_000 * np.arange(1, 61)
    rise = stimulus + 40_000
    rise[10] += 7_000_000
    writer = RunWriter(runs.root / "cancel", record("cancel", window_ns=1_000_000))
    times = np.concatenate([stimulus, rise, rise + 4_000])
    order = np.argsort(times, kind="stable")
    writer.add_source(np.repeat(np.array([1, 2, 3], np.uint8), 60)[order], times[order])
    writer.finish("complete", "")
    closed = closed_record(writer)
    assert (closed.counts["missed"], closed.counts["spurious"]) == (1, 1)
    refused = _example(runs, "cancel")
    assert refused.returncode == 1
    assert "not every stimulus has its one answer" in refused.stderr


def _example(place: Workplace, name: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, str(ROOT / "examples/summarise_run.py"), str(place.root / name)]
    return subprocess.run(command, capture_output=True, text=True, timeout=60)


def _table(place: Workplace, name: str, suffix: str) -> list[dict[str, Any]]:
    done = place.run("report", *RUNS, "--table", name, "-o", f"{name}.{suffix}")
    assert done.code == 0, done.err
    text = (place.root / f"{name}.{suffix}").read_text(encoding="utf-8")
    return list(csv.DictReader(io.StringIO(text))) if suffix == "csv" else json.loads(text)["rows"]


def _plain(values: Any) -> list[str]:
    """As a CSV file has them."""
    words = {True: "yes", False: "no", None: ""}
    return [words[value] if isinstance(value, bool | None) else str(value) for value in values]
