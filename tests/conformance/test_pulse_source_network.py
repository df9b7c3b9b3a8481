"""Sources on another computer, in the suite of all sources: behind socat, and behind ser2net by RFC 2217."""

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import ClassVar

import pytest

from edgereply.sources.base import PulseSource, StimulusPlan
from edgereply.sources.generator import GeneratorSource
from edgereply.sources.reference import ReferenceSource
from tests.conformance.pulse_source import PulseSourceSuite
from tests.fakes.scripted_serial import ScriptedSerial
from tests.fakes.serial_servers import offered
from tests.fakes.simulator import simulator
from tests.fakes.strict_generator import StrictGenerator
from tests.fakes.wires_responder import WiresResponder


class NetworkSuite(PulseSourceSuite):
    """Attributes: server: of `offered`."""

    server: ClassVar[str]

    @pytest.fixture(autouse=True)
    def _in_a_folder(self, tmp_path: Path) -> None:
        self.folder = tmp_path


class ReferenceByNetwork(NetworkSuite):
    kind = "reference"
    pairs = True

    @contextlib.contextmanager
    def opened(self) -> Iterator[PulseSource]:
        with simulator() as (device, self.wires), offered(self.server, device, self.folder) as port:
            source = ReferenceSource(port)
            yield source
            source.close()

    @contextlib.contextmanager
    def answered(self, source: PulseSource) -> Iterator[None]:
        with WiresResponder(self.wires):
            yield


class GeneratorByNetwork(NetworkSuite):
    kind = "generator"
    plan = StimulusPlan(pattern="periodic", period_ns=2_000_000, count=40)
    patterns = ("periodic",)
    exact_ns = 0

    @contextlib.contextmanager
    def opened(self) -> Iterator[PulseSource]:
        with ScriptedSerial(StrictGenerator().reply) as line, offered(self.server, line.port, self.folder) as port:
            source = GeneratorSource(port, 115_200)
            yield source
            source.close()


class TestReferenceBySocat(ReferenceByNetwork):
    server = "socat"


class TestReferenceByRfc2217(ReferenceByNetwork):
    server = "rfc2217"


class TestGeneratorBySocat(GeneratorByNetwork):
    server = "socat"


class TestGeneratorByRfc2217(GeneratorByNetwork):
    server = "rfc2217"
