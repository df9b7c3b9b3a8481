"""The RP2040 firmware in the emulator, in the suite of all sources (virtual)."""

import contextlib
from collections.abc import Iterator

import pytest

from edgereply.sources.base import PulseSource, StimulusPlan
from edgereply.sources.reference import ReferenceSource
from tests.conformance.pulse_source import PulseSourceSuite
from tests.rp2040.rig import Responder, Rp2040Rig

TICK_NS = 16


@pytest.mark.rig
class TestRp2040Firmware(PulseSourceSuite):
    kind = "reference"
    exact_ns = TICK_NS
    plan = StimulusPlan(period_ns=1_000_000, floor_ns=500_000, spread_ns=500_000, count=40)

    @contextlib.contextmanager
    def opened(self) -> Iterator[PulseSource]:
        with Rp2040Rig() as self.rig, contextlib.closing(ReferenceSource(self.rig.port)) as source:
            yield source

    @contextlib.contextmanager
    def answered(self, source: PulseSource) -> Iterator[None]:
        self.rig.respond(Responder(delay_min=12_500, delay_max=12_500, width=12_500))
        yield
