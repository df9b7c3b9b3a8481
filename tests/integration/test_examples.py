"""The examples, run as their first lines say; envelope_or_edges.py in test_reading_page.py."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from tests.fakes.virtual_wires import WiresPeer
from tests.integration.commands import Workplace, bench_text

from edgereply.storage.run_reader import RunReader

ROOT = Path(__file__).parents[2]
# What builds the shipped images is no example; it is run beside the tests of the images.
EXAMPLES = sorted(path for path in (ROOT / "examples").glob("*.py") if path.name != "ship_firmware.py")


def run_example(name: str, *arguments: str) -> str:
    done = subprocess.run(
        [sys.executable, str(ROOT / "examples" / name), *arguments], capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_numpy_and_pyarrow_alone_give_the_same_figures(place: Workplace) -> None:
    """On a run whose answers are all certain; a busy computer may need several attempts to answer in time."""
    place.write(bench_text(rate="200/s", floor="4ms", count=600))
    for attempt in range(5):
        done = place.run("measure", "--out", f"run{attempt}", "--json")
        assert done.code == 0, done.err
        if done.document["responses"] == 600:
            break
    run = place.root / done.document["run"]
    found = json.loads(run_example("summarise_run.py", str(run)))
    recorded = RunReader(run).record.summary
    assert found == {
        "stimuli": recorded["stimuli"],
        "responses": recorded["responses"],
        "reaction_median_ns": recorded["reaction"]["median_ns"],
        "reaction_p99_ns": recorded["reaction"]["p99_ns"],
        "reaction_max_ns": recorded["reaction"]["max_ns"],
        "pulse_width_median_ns": recorded["pulse_width"]["median_ns"],
    }
    assert found["responses"] == 600
    assert done.document["reaction"] == recorded["reaction"]


def test_a_run_with_answers_missing_is_not_summed_up_wrongly(place: Workplace) -> None:
    place.write(bench_text(options="drop = 0.2", count=200))
    assert place.run("measure", "--out", "run").code == 0
    command = [sys.executable, str(ROOT / "examples/summarise_run.py"), str(place.root / "run")]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60)
    assert done.returncode == 1
    assert "not every stimulus has its one answer" in done.stderr


def test_edges_are_watched_without_a_host(tmp_path: Path) -> None:
    wires = WiresPeer(tmp_path / "wires")
    command = [sys.executable, str(ROOT / "examples/watch_edges.py"), "virtual", str(wires.path), "0", "3"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    stamps = [wires.edge() for _ in range(3)]
    out, _ = process.communicate(timeout=30)
    assert process.returncode == 0
    lines = out.splitlines()
    assert [line.split(" ns, ")[0] for line in lines] == [f"edge {n + 1}: {at}" for n, at in enumerate(stamps)]
    wires.close()


def test_a_chip_that_is_not_there_is_told(tmp_path: Path) -> None:
    command = [sys.executable, str(ROOT / "examples/watch_edges.py"), "virtual", str(tmp_path / "none"), "0", "3"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=30)
    assert done.returncode == 1
    assert "cannot connect to the virtual wires" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_source_of_ones_own_gives_a_run(tmp_path: Path) -> None:
    found = json.loads(run_example("custom_pulse_source.py", str(tmp_path / "run")))
    assert found["state"] == "complete"
    assert (found["counts"]["stimuli"], found["counts"]["responses"], found["counts"]["missed"]) == (200, 200, 0)
    summary = RunReader(tmp_path / "run").record.summary
    assert summary["reaction"]["min_ns"] == summary["reaction"]["max_ns"] == 40_000
    assert summary["pulse_width"]["median_ns"] == 15_000
    assert summary["evidence"] == "loop-back"


def test_every_example_is_run_here_and_short() -> None:
    assert {path.name for path in EXAMPLES} == {
        "custom_pulse_source.py", "envelope_or_edges.py", "summarise_run.py", "watch_edges.py"
    }  # fmt: skip
    for path in EXAMPLES:
        assert len(path.read_text().splitlines()) < 50, path


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.name)
def test_every_example_says_how_to_run_it(path: Path) -> None:
    assert f"python examples/{path.name}" in path.read_text()
