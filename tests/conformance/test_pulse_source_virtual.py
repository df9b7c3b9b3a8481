"""The virtual source in the suite of all sources."""

import contextlib
from collections.abc import Iterator

from edgereply.sources.base import PulseSource
from edgereply.sources.simulator.source import VirtualSource
from tests.conformance.pulse_source import PulseSourceSuite
from tests.fakes.wires_responder import WiresResponder


class TestVirtualSource(PulseSourceSuite):
    kind = "virtual"
    pairs = True

    @contextlib.contextmanager
    def opened(self) -> Iterator[PulseSource]:
        source = VirtualSource()
        try:
            yield source
        finally:
            source.close()

    @contextlib.contextmanager
    def answered(self, source: PulseSource) -> Iterator[None]:
        assert isinstance(source, VirtualSource)
        with WiresResponder(source.wires):
            yield
