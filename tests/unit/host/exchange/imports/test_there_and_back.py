"""A run drawn as VCD by `export` and taken in again by `import` has the same times."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from edgereply.evaluation.cautions import cautions
from edgereply.evaluation.load_view import evaluate_run, load_view
from edgereply.exchange.export.export_runs import export
from edgereply.exchange.imports.accept import Labels
from edgereply.exchange.imports.import_files import Wanted, look, read
from edgereply.exchange.imports.waveforms import Settings
from edgereply.storage.run_reader import RunReader
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
    assert any("share no clock" in caution for caution in cautions(record, {}))
    assert view.summary["reaction"]["known_to"]["clock_ppm"] == pytest.approx(100.0)
    assert view.condition_requested["hysteresis"] == 0.1
    assert view.condition_in_effect["segments"] == 2
    slowest = int(view.reaction_ns.max())
    known = round(2.0 * math.hypot(1.0 / math.sqrt(6.0), slowest * 100e-6 / math.sqrt(3.0)))
    assert any(f"each time is known to ± {known} ns (k = 2)" in note for note in view.notes)


@pytest.mark.parametrize(("deadline_ns", "said"), [(200_000, True), (900_000, False)])
def test_a_page_says_what_the_recording_cannot_tell(deadline_ns: int, said: bool, tmp_path: Path) -> None:
    """Answers at 200 µs, a clock ± 1000 ppm, 100 ns of resolution: 2·√((100/√6)² + (200/√3)²) = 245 ns."""
    text = "$timescale 1 ns $end $var wire 1 ! a $end $var wire 1 # b $end $enddefinitions $end\n#0 0! 0#\n"
    for n in range(1, 31):
        at = n * 5_000_000
        text += f"#{at} 1!\n#{at + 100_000} 0!\n#{at + 200_100} 1#\n#{at + 300_000} 0#\n"
    (tmp_path / "a.vcd").write_text(text)
    recording = read([tmp_path / "a.vcd"], [], Settings())
    found = look(recording, Wanted("a", "b"), Labels(clock_ppm=1000.0, deadline_ns=deadline_ns), Settings())
    found.accept(tmp_path / "run", [])
    cautions_shown = load_view(tmp_path / "run").cautions
    assert [text for text in cautions_shown if "nearer to the deadline" in text] == (
        ["30 answers are nearer to the deadline than the recording can tell (± 245 ns): which of them were late is "
         "open, and the verdict allows for it."] if said else []
    )  # fmt: skip
