"""Run directories of every format there was, as they were written then: read and shown by today's commands, untouched.

Made by earlier versions on software wires (demo data, virtual); names of the machine and the path of the wires were
replaced in `run.json`, the stamps are as they were written.
"""

import json
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from edgereply import __version__
from edgereply.__main__ import main
from edgereply.evaluation.load_view import evaluate_run
from edgereply.exchange.bundle.check import check_run
from edgereply.storage import run_record, series_record
from edgereply.storage.run_reader import RunReader
from edgereply.system.digest import sha256_of

GOLDEN = Path(__file__).parents[3] / "reference_data/runs"
SERIES = sorted(path.parent for path in GOLDEN.glob("*/series.json"))
RUNS = sorted(path.parent for path in GOLDEN.glob("**/run.json"))
ALONE = [run for run in RUNS if run.parent == GOLDEN]

Command = Callable[..., tuple[int, str, str]]


def state(root: Path) -> dict[str, tuple[str, int]]:
    """Digest and time of change of every file, and of the directories."""
    paths = [root, *root.rglob("*")]
    return {str(path): (sha256_of(path) if path.is_file() else "", path.stat().st_mtime_ns) for path in paths}


@pytest.fixture
def command(monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> Command:
    """Run a command in this process: exit code, stdout, stderr."""

    def run(*arguments: object) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["edgereply", *map(str, arguments)])
        return main(), *capfd.readouterr()

    return run


@pytest.fixture
def golden(tmp_path: Path) -> Path:
    """A copy of all of them."""
    return Path(shutil.copytree(GOLDEN, tmp_path / "golden"))


def named(path: Path) -> str:
    return path.relative_to(GOLDEN).as_posix()


def test_every_format_there_was_has_a_directory() -> None:
    assert sorted(run_record.HISTORY) == list(range(1, run_record.FORMAT + 1))
    assert {RunReader(run).record.format for run in RUNS} == set(run_record.HISTORY)
    assert {series_record.load_series(directory).format for directory in SERIES} == set(
        range(1, series_record.FORMAT + 1)
    )


@pytest.mark.parametrize("run", RUNS, ids=named)
def test_counts_and_stamps_are_what_they_were(run: Path) -> None:
    reader = RunReader(run)
    record = reader.record
    assert reader.source().edges()[0].size >= record.counts["stimuli"] == record.requested["stimulus"]["count"]
    assert len(reader.board().edge_ns) == record.counts["stimuli"]
    result = evaluate_run(reader, record.deadline_ns)
    assert result.evidence == record.evidence == "joined"
    assert result.summary(True)["stimuli"] == record.summary["stimuli"]
    assert result.summary(True)["reaction"]["max_ns"] == record.summary["reaction"]["max_ns"]


@pytest.mark.parametrize("run", ALONE, ids=named)
def test_commands_show_it_and_leave_it_alone(run: Path, golden: Path, tmp_path: Path, command: Command) -> None:
    place = golden / named(run)
    before = state(golden)
    record = RunReader(place).record
    out = tmp_path / "out"
    out.mkdir()

    code, text, _ = command("verdict", place, "--json")
    verdict: dict[str, Any] = json.loads(text)
    assert (code, verdict["virtual"], verdict["evidence"]) == (1, True, "joined")
    assert verdict["deadline_ns"] == record.deadline_ns

    code, text, err = command("explain", place, "--json")
    assert code == 0, err

    code, _, err = command("report", place, "--output", out / "page.html")
    assert code == 0, err
    page = (out / "page.html").read_text(encoding="utf-8")
    assert "Reject gate (virtual)" in page
    assert "virtual" in page

    code, text, err = command("export", place, "--to", "csv", "--output", out / "rows.csv")
    assert code == 0, err
    assert any(path.stat().st_size for path in out.glob("rows*"))

    code, text, err = command("bundle", place, "--output", out / "b.zip", "--json")
    assert code == 0, err
    # Pairing was improved since: the bundle says so and holds what today's program computes.
    notes = "".join(json.loads(text)["notes"])
    assert ("it was computed again when this bundle was made" in notes) is bool(check_run(place).differences)
    code, text, err = command("bundle", "--verify", out / "b.zip", "--json")
    assert (code, json.loads(text)["matches"]) == (0, True), text

    assert state(golden) == before


def test_they_are_compared_with_each_other(golden: Path, command: Command) -> None:
    before = state(golden)
    code, text, err = command("compare", *(golden / named(run) for run in ALONE), "--json")
    assert code == 0, err
    assert len(json.loads(text)["runs"]) == len(ALONE)
    assert state(golden) == before


@pytest.mark.parametrize("directory", SERIES, ids=named)
def test_a_series_is_reported(directory: Path, golden: Path, tmp_path: Path, command: Command) -> None:
    before = state(golden)
    code, _, err = command("report", golden / named(directory), "--output", tmp_path / "series.html")
    assert code == 0, err
    page = (tmp_path / "series.html").read_text(encoding="utf-8")
    assert "virtual-spin" in page or "spin" in page
    assert state(golden) == before


def newer(path: Path, **changes: object) -> None:
    """As a later version might write it: nothing but format and tool is as it was."""
    path.write_text(json.dumps({"format": 2, "tool": "edgereply 9.4.0", "all": {"new": [1]}} | changes))


@pytest.mark.parametrize("arguments", [("verdict",), ("report",), ("explain",), ("export", "--to", "csv"), ("bundle",)])
def test_a_newer_run_is_refused_with_the_version_to_use(
    golden: Path, tmp_path: Path, command: Command, arguments: tuple[str, ...]
) -> None:
    run = golden / named(ALONE[0])
    newer(run / "run.json")
    before = state(golden)
    name = "out.html" if arguments[0] == "report" else "out.any"
    output = () if arguments[0] in ("verdict", "explain") else ("--output", tmp_path / name)
    code, _, err = command(arguments[0], run, *arguments[1:], *output)
    assert code == 2
    assert f"the run has format 2; edgereply {__version__} reads formats up to 1" in err
    assert "update edgereply: version 9.4.0 wrote it" in err
    assert state(golden) == before
    assert not (tmp_path / name).exists()


def test_a_newer_series_is_refused_with_the_version_to_use(golden: Path, command: Command) -> None:
    directory = golden / named(SERIES[0])
    newer(directory / "series.json", tool="edgereply of somebody\x1b[2J")
    code, _, err = command("report", directory, "--output", golden / "page.html")
    assert code == 2
    assert "the series has format 2" in err
    assert "what to do: update edgereply\n" in err, "a name that is none is not repeated"


def test_what_was_added_to_the_same_format_is_kept_when_the_record_is_written_again(golden: Path) -> None:
    path = golden / named(ALONE[0]) / "run.json"
    document = json.loads(path.read_text())
    document["novelty"] = {"deep": [1, None]}
    document["source"]["novelty"] = 1
    path.write_text(json.dumps(document))
    again = json.loads(RunReader(path.parent).record.model_dump_json())
    assert again["novelty"] == {"deep": [1, None]}
    assert again["source"]["novelty"] == 1
