"""The reference firmware in the chip simulator, in the suite of all sources (virtual)."""

import contextlib
from collections.abc import Iterator

import pytest

from edgereply.sources.base import PulseSource
from edgereply.sources.reference import ReferenceSource
from tests.conformance.pulse_source import PulseSourceSuite
from tests.rig.rig import Responder, Rig

TICK_NS = 63


@pytest.mark.rig
class TestReferenceFirmware(PulseSourceSuite):
    kind = "reference"
    exact_ns = TICK_NS

    @contextlib.contextmanager
    def opened(self) -> Iterator[PulseSource]:
        with Rig() as self.rig, contextlib.closing(ReferenceSource(self.rig.port)) as source:
            yield source

    @contextlib.contextmanager
    def answered(self, source: PulseSource) -> Iterator[None]:
        self.rig.respond(Responder(delay_min=1_600, width=1_600))
        yield
