"""A source's clock against a better one, where the rig knows how far it is off."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from edgereply.measurement.calibration import against_computer
from edgereply.sources.reference import ReferenceSource
from tests.integration.commands import Workplace, explained
from tests.rig import build
from tests.rig.rig import Rig
from tests.rig.truth import CYCLE_NS

pytestmark = pytest.mark.rig

BENCH = '[board.b]\nresponder = "external"\n[source]\nkind = "reference"\nvirtual = true\nport = "{port}"\n'
# The probe's period is 40,002 cycles, and the user is told 2.5 ms, 40,000 of them: the source's clock is fast.
TRUE_PPM = 50.0


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Workplace]:
    place = Workplace(tmp_path)
    yield place
    place.nothing_left()


def test_pulses_of_a_better_clock_give_the_known_error(place: Workplace) -> None:
    with Rig(board=build.probe("pulses")) as rig:
        place.write(BENCH.format(port=rig.port))
        options = ["--period", "2.5ms", "--for", "2s", "--reference-ppm", "0.1"]
        done = place.run("source", "calibrate", *options, "--json")
        other = place.run("source", "calibrate", "--period", "3ms", "--for", "1.5s", "--reference-ppm", "0.1")
        place.write(BENCH.format(port=rig.port) + 'tolerance_ppm = 51\nserial_number = "A7"\n')
        told = place.run("source", "--json")
    assert done.code == 0, done.err
    found = done.document
    assert abs(found["error_ppm"] - TRUE_PPM) <= found["expanded_ppm"] < 1.0
    assert found["reference_ppm"] == pytest.approx(0.1 / 3**0.5)
    assert found["tolerance_ppm"] == found["error_ppm"] + found["expanded_ppm"]
    assert found["virtual"]
    assert len(done.err.splitlines()) <= 12
    explained(other, 3, "the pulses do not come every 3000000 ns", "check the wire")
    assert (told.document["tolerance_ppm"], told.document["serial"]) == (51.0, "A7")


@pytest.mark.parametrize("slower", [5_001, 40_001])
def test_a_second_source_gives_the_error_that_the_log_shows(place: Workplace, slower: int) -> None:
    """Two chips with crystals of their own; how far apart they are is read from the edges that each of them had."""
    with Rig(second=slower) as rig:
        place.write(BENCH.format(port=rig.port))
        options = ["--reference-port", rig.second_port, "--period", "2ms", "--for", "3s", "--reference-ppm", "0.5"]
        done = place.run("source", "calibrate", *options, "--json")
        truth = rig.truth()
    assert done.code == 0, done.err
    sent, arrived = truth.cycles("second", 1), truth.cycles("response", 1)
    assert len(sent) == len(arrived) > 100
    true_ppm = 1e6 * ((arrived[-1] - arrived[0]) / (sent[-1] - sent[0]) - 1)
    assert true_ppm == pytest.approx(1e6 / (slower - 1), rel=1e-3)
    found = done.document
    assert abs(found["error_ppm"] - true_ppm) <= found["expanded_ppm"] < 2.0
    assert found["against"] == "pulse source atmega328p, serial 0"
    assert found["reference_within_ppm"] == 0.5
    assert found["virtual"]


def test_the_computers_clock_gives_the_known_error() -> None:
    """The computer's clock is the rig's own time here, and the source is fast by what is taken off it."""
    true_ppm = 2_000.0
    with Rig() as rig, contextlib.closing(ReferenceSource(rig.port)) as source:

        def now_ns() -> int:
            return round(rig.cycle() * CYCLE_NS / (1 + true_ppm * 1e-6))

        rate = against_computer(source, 12_000_000_000, 10.0, lambda _: None, now_ns)
    assert abs(rate.error_ppm - true_ppm) <= rate.expanded_ppm < true_ppm / 2
    assert rate.readings > 100


def test_what_is_not_known_is_asked_for(place: Workplace) -> None:
    place.write(BENCH.format(port="/dev/ttyNONE"))
    done = place.run("source", "calibrate", "--period", "1s")
    explained(done, 2, "tolerance of the better clock is not known", "--reference-ppm")
    explained(place.run("source", "calibrate", "--for", "10"), 2, "'10' is not a time", "--for")
    done = place.run("source", "calibrate", "--reference-ppm", "-3")
    explained(done, 2, "-3 is not from 0 to 100000", "--reference-ppm")
