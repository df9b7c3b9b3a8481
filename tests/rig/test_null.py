"""The null measurement from end to end: the command, the real firmware, a jumper whose delay the truth log knows."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from pathlib import Path
from statistics import fmean

import pytest

from edgereply.measurement.fixture import PLAN
from edgereply.storage.run_reader import RunReader
from tests.integration.commands import Workplace, explained
from tests.rig.rig import Responder, Rig
from tests.rig.truth import CYCLE_NS

pytestmark = pytest.mark.rig

BENCH = """
[board.bare]
link = "local"
responder = "external"
[source]
kind = "reference"
port = "{port}"
virtual = true
[stimulus]
count = 100
rate = "500/s"
floor = "1ms"
"""


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Workplace]:
    place = Workplace(tmp_path)
    yield place
    place.nothing_left()


@pytest.mark.parametrize("delay", [0, 3])
def test_the_fixtures_delay_is_the_true_one_within_its_budget(place: Workplace, delay: int) -> None:
    with Rig(responder=Responder(jumper=1, delay_min=delay)) as rig:
        place.write(BENCH.format(port=rig.port))
        done = place.run("source", "null", "--json")
        truth = rig.truth()
        rig.respond(Responder(delay_min=1_600, delay_max=1_600))
        run = place.run("measure", "--json", "--out", "run")
    assert done.code == 0, done.err
    stimuli, rises = truth.cycles("stimulus", 1), truth.cycles("response", 1)
    assert len(stimuli) == len(rises) == PLAN.count
    true_ns = CYCLE_NS * fmean(rise - stimulus for stimulus, rise in zip(stimuli, rises, strict=True))
    assert true_ns == delay * CYCLE_NS
    record = done.document
    assert (record["count"], record["missed"], record["virtual"]) == (PLAN.count, 0, True)
    # Source and wire share a clock here, so that nothing is left of the quantisation but the rounding to whole ns.
    assert abs(record["delay_ns"] - true_ns) <= 1
    assert record["shortest_ns"] >= math.floor(true_ns)
    assert record["longest_ns"] <= math.ceil(true_ns)
    # JCGM 100:2008, 4.3.7: a stamp of resolution q is uniform over q, u = q / √12; a difference of two q / √6.
    budget = record["budget"]
    assert budget["resolution_ns"] == pytest.approx(math.hypot(62.5 / math.sqrt(12), 62.5 / math.sqrt(12)))
    assert budget["resolution_ns"] == pytest.approx(25.516, abs=5e-4)
    # 5.1.2 and 6.2.1: root of the sum of squares, twice of it; the true delay lies well inside.
    parts = (budget["resolution_ns"], budget["repeatability_ns"], budget["clock_ns"])
    assert budget["expanded_ns"] == pytest.approx(2 * math.sqrt(sum(part * part for part in parts)))
    assert abs(record["delay_ns"] - true_ns) < budget["expanded_ns"]

    assert run.code == 0, run.err
    kept = RunReader(place.root / "run").record
    assert kept.fixture == json.loads((place.root / "bench.fixture.json").read_text())
    (sentence,) = (warning for warning in kept.warnings if warning.startswith("fixture: "))
    assert sentence.startswith(f"fixture: {record['delay_ns']:.0f} ns ± 51 ns (k = 2, virtual null measurement of ")
    # Reported, not subtracted: 1,600 cycles of 62.5 ns.
    assert kept.summary["reaction"]["median_ns"] == 100_000


def test_without_a_jumper_the_null_measurement_says_so_and_keeps_nothing(place: Workplace) -> None:
    with Rig() as rig:
        place.write(BENCH.format(port=rig.port))
        done = place.run("source", "null")
    explained(done, 3, "0 of 1000 stimuli came back", "jumper")
    assert not (place.root / "bench.fixture.json").exists()
