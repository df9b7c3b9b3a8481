"""A run drawn as VCD by `export` and taken in again by `import` has the same times."""

from __future__ import annotations

from pathlib import Path

import pytest

from edgereply.export.carry_out import export
from edgereply.imports.accept import Labels
from edgereply.imports.importing import Wanted, look, read
from edgereply.imports.waveforms import Settings
from edgereply.store import RunReader
from edgereply.views import cautions, evaluate_run, load_view
from tests.fakes.saved_runs import save_run


def test_out_and_in_again(tmp_path: Path) -> None:
    save_run(tmp_path / "run", parts=2)
    export([tmp_path / "run"], "vcd", "raw", tmp_path / "run.vcd", lambda _: None)
    recording = read([tmp_path / "run.vcd"], [], Settings())
    found = look(recording, Wanted("stimulus", "response"), Labels(board="gate"), Settings())
    found.accept(tmp_path / "again", ["edgereply import run.vcd --accept"])
    before, after = (evaluate_run(RunReader(tmp_path / name), None) for name in ("run", "again"))
    kept = len(after.reaction_ns)
    assert kept >= len(before.reaction_ns) - 2
    assert after.reaction_ns.tolist() == before.reaction_ns[:kept].tolist()
    assert after.pulse_width_ns.tolist() == before.pulse_width_ns[:kept].tolist()
    assert (after.evidence, before.known_to) == ("imported", None)


def test_views_tell_where_it_comes_from(tmp_path: Path) -> None:
    save_run(tmp_path / "run", parts=1)
    export([tmp_path / "run"], "vcd", "raw", tmp_path / "run.vcd", lambda _: None)
    recording = read([tmp_path / "run.vcd", tmp_path / "run.vcd"], [], Settings())
    found = look(recording, Wanted("stimulus", "response"), Labels(board="gate"), Settings())
    record = found.accept(tmp_path / "again", [])
    view = load_view(tmp_path / "again")
    assert view.grade.endswith("imported")
    assert view.title == "gate · recording"
    assert list(view.wiring) == [("channel gate.stimulus", "stimulus"), ("channel gate.response", "response")]
    assert any("share no clock" in caution for caution in cautions(record, 0))
    assert view.summary["reaction"]["known_to"]["clock_ppm"] == pytest.approx(100.0)
