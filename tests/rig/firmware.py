"""The ATmega328P's firmware in its rig, for the suites of all firmwares."""

from __future__ import annotations

from tests.conformance.firmware import Answer, FirmwareSuite
from tests.products import Change
from tests.rig.build import pulse_source
from tests.rig.rig import Rig


class Atmega328p(FirmwareSuite):
    model = "atmega328p"
    tick_hz = 16_000_000
    tolerance_ppm = "5000"
    thorough = 5
    quickest_us = 12.5

    @classmethod
    def rig(cls, answer: Answer | None = None, *changes: Change) -> Rig:
        return Rig(responder=answer.rule(Rig.clock_hz) if answer else None, source=pulse_source(*changes))
