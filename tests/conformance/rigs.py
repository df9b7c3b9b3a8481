"""A rig itself: the serial port's far end may be slow, and the board under test may change while the firmware runs."""

from __future__ import annotations

import time

from tests.conformance.firmware import Answer, FirmwareSuite
from tests.rig.checks import check_stamps
from tests.rig.client import STIMULUS, Client, values

PATIENCE_S = 300.0


class RigSuite(FirmwareSuite):
    """Tests any rig through its firmware."""

    def test_a_port_that_is_not_read_makes_virtual_time_wait(self) -> None:
        """Some 38 kB come from this run, and the pseudo-terminal holds far less; nothing may be lost meanwhile."""
        with self.rig(Answer(31.25, 75, 50)) as rig, Client(rig.port) as client:
            client.set("OUTP ON", "PULS:PER 0.5 MS", "PULS:ARR:FLO 0.2 MS", "PULS:COUN 2500")
            client.send("READ?")
            before = -1
            end = time.monotonic() + PATIENCE_S
            while (now := rig.truth().now) != before:
                assert time.monotonic() < end, "the terminal takes everything"
                before = now
                time.sleep(0.5)
            records = [record for block in client.blocks() for record in block]
            check_stamps(records, rig.truth())
            assert len(values(records, STIMULUS)) == 2500
            assert rig.truth().now > before

    def test_the_answer_changes_while_it_runs(self) -> None:
        with self.rig() as rig, Client(rig.port) as client:
            client.set("OUTP ON", "PULS:COUN 5")
            client.read()
            assert rig.truth().cycles("response", 1) == []
            rule = Answer(56.25, 56.25, 62.5).rule(rig.clock_hz)
            rig.respond(rule)
            client.read()
            truth = rig.truth()
        rises, stimuli = truth.cycles("response", 1), truth.cycles("stimulus", 1)[5:]
        assert [rise - start for rise, start in zip(rises, stimuli, strict=True)] == [rule.delay_min] * 5
