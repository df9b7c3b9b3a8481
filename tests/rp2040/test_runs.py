"""Runs of the RP2040 firmware: what every firmware must do, and what is particular to this one."""

from __future__ import annotations

from itertools import pairwise

import pytest

from tests.conformance.runs import RunSuite
from tests.rig.client import STIMULUS, Client, values
from tests.rp2040.build import firmware
from tests.rp2040.checks import check_no_wrong_number
from tests.rp2040.firmware import Rp2040
from tests.rp2040.rig import Responder, Rp2040Rig

pytestmark = pytest.mark.rig


class TestRp2040(Rp2040, RunSuite):
    watchdog_s = 0.5  # 1 000 000 counts, two a microsecond (erratum RP2040-E1, from memory; the emulator has it too)
    no_watchdog = ("clocks.c", "WATCHDOG_CTRL = WATCHDOG_ENABLE;", "WATCHDOG_CTRL = 0;")


def test_a_watchdog_that_leaves_half_the_chip_alone_resets_nothing_here() -> None:
    """The state machines would go on across such a reset; the rig only does whole ones, and says so."""
    half = ("clocks.c", "PSM_WDSEL = PSM_ALL_BUT_OSCILLATORS;", "PSM_WDSEL = 0;")
    with Rp2040Rig(folder=firmware(half)) as rig, Client(rig.port) as client:
        assert client.ask("*IDN?")
        rig.hang()
        over = rig.after(1)
        while not over():
            pass
        assert rig.truth().cycles("reset", 1) == []
        assert "not told to reset the whole chip" in rig.said()


def test_an_input_that_oscillates_does_not_keep_the_source_from_hearing_and_its_stimuli_stay_true() -> None:
    """1 MHz on the response line, for 0.4 ms after each stimulus: more stamps than the line can send."""
    with Rp2040Rig(responder=Responder(delay_min=500, delay_max=500, width=62, gap=62, bursts=400)) as rig:
        with Client(rig.port) as client:
            client.set("OUTP ON", "PULS:COUN 30", "PULS:ARR PER")
            records = client.read()
            assert client.errors() == []
        truth = rig.truth()
    assert len(truth.cycles("response", 1)) == 30 * 400
    stimuli = values(records, STIMULUS)
    assert len(stimuli) == 30
    assert {2 * ((b - a) % (1 << 32)) for a, b in pairwise(stimuli)} == {625_000}
    rises, falls_lost = check_no_wrong_number(records, truth)
    assert 30 <= rises < 30 * 400
    assert falls_lost >= 30
