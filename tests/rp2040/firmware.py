"""The RP2040's firmware in its rig, for the suites of all firmwares."""

from __future__ import annotations

from tests.conformance.firmware import Answer, FirmwareSuite
from tests.products import Change
from tests.rp2040 import build
from tests.rp2040.rig import TICK_HZ, Rp2040Rig


class Rp2040(FirmwareSuite):
    model = "rp2040"
    serial = "E6613852834F2B30"  # invented: the number of the rig's flash chip
    tick_hz = TICK_HZ
    tolerance_ppm = "50"
    quickest_us = 1.6

    @classmethod
    def rig(cls, answer: Answer | None = None, *changes: Change) -> Rp2040Rig:
        rule = answer.rule(Rp2040Rig.clock_hz) if answer else None
        return Rp2040Rig(responder=rule, folder=build.firmware(*changes))
