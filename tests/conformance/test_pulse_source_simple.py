"""Sources that only emit, in the suite of all sources."""

import contextlib
from collections.abc import Iterator

from edgereply.sources.base import PulseSource, StimulusPlan
from edgereply.sources.generator import GeneratorSource
from edgereply.sources.lines import LinesSource
from tests.conformance.pulse_source import PulseSourceSuite
from tests.fakes.scripted_serial import ScriptedSerial
from tests.fakes.strict_generator import StrictGenerator


class StimulusOnlySuite(PulseSourceSuite):
    def answered(self, source: PulseSource) -> contextlib.AbstractContextManager[None]:
        raise AssertionError("a source that captures nothing is not answered")


class TestGeneratorSource(StimulusOnlySuite):
    kind = "generator"
    plan = StimulusPlan(pattern="periodic", period_ns=2_000_000, count=40)
    patterns = ("periodic",)
    exact_ns = 0

    @contextlib.contextmanager
    def opened(self) -> Iterator[PulseSource]:
        with ScriptedSerial(StrictGenerator().reply) as line:
            source = GeneratorSource(line.port)
            yield source
            source.close()


class TestLinesSource(StimulusOnlySuite):
    kind = "lines"
    # Nine bits at 115200 Bd; a byte does not make every width.
    plan = StimulusPlan(period_ns=2_000_000, floor_ns=1_000_000, spread_ns=500_000, width_ns=78_125, count=40)

    @contextlib.contextmanager
    def opened(self) -> Iterator[PulseSource]:
        with ScriptedSerial(lambda _: b"") as line:
            source = LinesSource(line.port)
            yield source
            source.close()
