"""What happened on the rig's wires, through VCD and `edgereply import`, is what the rig's log says."""

from __future__ import annotations

from pathlib import Path

import pytest
from vcdvcd import VCDVCD

from edgereply.exchange.imports.accept import Labels
from edgereply.exchange.imports.import_files import Wanted, look, read
from edgereply.exchange.imports.waveforms import Settings
from edgereply.storage.run_reader import RunReader
from tests.rig.checks import measured
from tests.rig.rig import Responder, Rig
from tests.rig.vcd_truth import write_vcd

pytestmark = pytest.mark.rig


def test_the_rigs_wires_through_a_vcd(tmp_path: Path) -> None:
    responder = Responder(delay_min=1_600, delay_max=8_000, width=320, miss_every=50, seed=3)
    with Rig(responder=responder) as rig:
        measured(rig, "SOUR:PULS:COUN 400", "SOUR:PULS:PER 0.003")
        truth = rig.truth()
    path = tmp_path / "rig.vcd"
    write_vcd(truth, path)
    theirs = VCDVCD(str(path))
    for name in ("stimulus", "response"):
        edges = [(edge.cycle * 62_500, str(edge.level)) for edge in truth.edges if edge.signal == name]
        assert [(at, value) for at, value in theirs[f"rig.{name}"].tv if at or value != "0"] == edges
    recording = read([path], [], Settings())
    found = look(recording, Wanted("stimulus", "response"), Labels(clock_ppm=0.0), Settings())
    assert found.virtual
    assert recording.channels["rig.stimulus"].resolution_ns == pytest.approx(62.5)
    stimuli, rises, falls = (truth.cycles(*of) for of in (("stimulus", 1), ("response", 1), ("response", 0)))
    assert len(stimuli) == 400
    found.accept(tmp_path / "run", ["edgereply import rig.vcd --accept"])
    reader = RunReader(tmp_path / "run")
    stamps = reader.source().edges()
    left_out = found.line.late_stimuli
    assert left_out <= 8
    kept = stimuli[: len(stimuli) - left_out]
    start = truth_start(theirs)
    assert stamps[0].tolist() == [round(cycle * 62.5 - start) for cycle in kept]
    assert stamps[1].tolist() == [round(cycle * 62.5 - start) for cycle in rises[: stamps[1].size]]
    assert stamps[2].tolist() == [round(cycle * 62.5 - start) for cycle in falls[: stamps[2].size]]
    # By rule: every 50th stimulus is not answered, all others within 100 to 500 µs.
    counts = reader.record.counts
    assert counts["missed"] == sum(n % 50 == 0 for n in range(1, len(kept) + 1))
    assert counts["responses"] == len(kept) - counts["missed"]
    reaction = reader.record.summary["reaction"]
    assert 100_000 <= reaction["min_ns"] <= reaction["max_ns"] <= 500_001


def truth_start(vcd: VCDVCD) -> float:
    """First time in the file, nanoseconds."""
    first = min(vcd[f"rig.{name}"].tv[0][0] for name in ("stimulus", "response"))
    return float(first) / 1000
