"""Runs of the ATmega328P firmware: what every firmware must do, and what is particular to this one."""

from __future__ import annotations

import subprocess

import pytest

from tests.conformance.runs import RunSuite
from tests.rig.build import pulse_source
from tests.rig.checks import check_pulses, check_stamps
from tests.rig.client import FALL, FALL_LOST, Client, values
from tests.rig.firmware import Atmega328p
from tests.rig.rig import Responder, Rig

pytestmark = pytest.mark.rig


class TestAtmega328p(Atmega328p, RunSuite):
    watchdog_s = 0.512  # 65 536 cycles of the 128 kHz watchdog oscillator
    no_watchdog = ("main.c", "wdt_enable(WDTO_500MS);", "wdt_disable();")


def test_commands_in_the_busiest_run_cost_no_stamp_and_the_stack_stays_clear_of_the_data() -> None:
    """2000 stimuli a second while refused commands keep the main loop from planning ahead: edges may come late then,
    but each is stamped when it comes."""
    with Rig(responder=Responder(delay_min=200, delay_max=1_200, width=800)) as rig, Client(rig.port) as client:
        client.set("OUTP ON", "PULS:PER 0.5 MS", "PULS:ARR:FLO 0.2 MS", "PULS:COUN 1000")
        client.send("READ?")
        records = []
        for block in client.blocks():
            records += block
            client.send("PULS:PER 12.345678901234 MS")
        client.errors()
        truth = rig.truth()
    check_stamps(records, truth)
    assert len(values(records, FALL)) == 1000
    assert truth.lowest_stack > end_of_data() + 60


def end_of_data() -> int:
    """Address behind the firmware's last variable."""
    command = ["avr-nm", str(pulse_source())]
    listing = subprocess.run(command, capture_output=True, text=True, check=True, timeout=60).stdout
    (address,) = (line.split()[0] for line in listing.splitlines() if line.split()[-1] == "__bss_end")
    return int(address, 16) & 0xFFFF


def test_fall_lost_is_never_a_wrong_number() -> None:
    """Answers from 2 to 480 cycles long: each has its true stamps, or is said to be too short."""
    lost_at: dict[int, int] = {}
    for width in (2, 8, 20, 40, 60, 80, 100, 150, 200, 300, 480):
        responder = Responder(delay_min=300, delay_max=14_000, width=width, seed=width)
        with Rig(responder=responder) as rig, Client(rig.port) as client:
            client.set("OUTP ON", "PULS:COUN 300")
            records = client.read()
            truth = rig.truth()
        lost_at[width] = len(values(records, FALL_LOST))
        check_pulses(records, truth.cycles("response", 1), truth.cycles("response", 0))
    assert lost_at[2] == 300
    assert lost_at[480] == 0, lost_at
