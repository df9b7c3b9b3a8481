"""A universal counter with a generator, in the suite of all sources; both are strict fakes of the standard's words."""

import contextlib
from collections.abc import Iterator

from edgereply.sources.base import PulseSource, StimulusPlan
from edgereply.sources.counter import CounterSource
from tests.conformance.pulse_source import PulseSourceSuite
from tests.fakes.scripted_serial import ScriptedSerial
from tests.fakes.standard_counter import StandardCounter
from tests.fakes.strict_generator import StrictGenerator


class TestCounterSource(PulseSourceSuite):
    kind = "counter"
    # It is triggered pulse by pulse, so never quicker than 20 ms.
    plan = StimulusPlan(period_ns=24_000_000, floor_ns=20_000_000, spread_ns=4_000_000, count=12)
    times_falls = False
    tells_level = False

    @contextlib.contextmanager
    def opened(self) -> Iterator[PulseSource]:
        generator = StrictGenerator()
        self.answering = False
        counter = StandardCounter(generator, lambda _: "1E-4" if self.answering else "")
        with ScriptedSerial(generator.reply) as pulses, ScriptedSerial(counter.reply) as reading:
            source = CounterSource(pulses.port, counter=reading.port)
            yield source
            source.close()
        assert generator.values["OUTP"] == "0"

    @contextlib.contextmanager
    def answered(self, source: PulseSource) -> Iterator[None]:
        self.answering = True
        yield
