"""A counter as the witness, against one that knows only the standard's words."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from edgereply.config.bench_file import parse_bench
from edgereply.errors import SettingError, SourceError
from edgereply.measurement.measure import Procedure, measure
from edgereply.sources import dialogue
from edgereply.sources.base import StimulusPlan
from edgereply.sources.counter import CounterSource
from edgereply.storage.stamps import RISE, STIMULUS
from tests.conformance.pulse_source import whole_run
from tests.fakes.scripted_serial import ScriptedSerial
from tests.fakes.standard_counter import StandardCounter
from tests.fakes.strict_generator import StrictGenerator

PLAN = StimulusPlan(period_ns=30_000_000, floor_ns=20_000_000, width_ns=50_000, count=6)


class Bench:
    """Both instruments, each on a line of its own."""

    def __init__(self, stack: contextlib.ExitStack, answer: Callable[[int], str]) -> None:
        self.generator = StrictGenerator()
        self.counter = StandardCounter(self.generator, answer)
        self.lines = [stack.enter_context(ScriptedSerial(one.reply)) for one in (self.generator, self.counter)]
        self._stack = stack

    def open(self, **options: Any) -> CounterSource:
        source = CounterSource(self.lines[0].port, counter=self.lines[1].port, **options)
        self._stack.callback(source.close)
        return source


@pytest.fixture
def benches(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[Callable[[int], str]], Bench]]:
    monkeypatch.setattr(dialogue, "ANSWER_S", 0.5)
    with contextlib.ExitStack() as stack:
        yield lambda answer: Bench(stack, answer)


def test_each_reading_belongs_to_its_pulse(benches: Callable[..., Bench]) -> None:
    bench = benches(lambda number: f"+{number + 1}.5E-6")
    source = bench.open()
    batch = whole_run(source, PLAN)
    stimuli, rises = (batch.at_ns[batch.kind == kind] for kind in (STIMULUS, RISE))
    assert (rises - stimuli).tolist() == [1_500, 2_500, 3_500, 4_500, 5_500, 6_500]
    assert [cycles for cycles, _ in bench.generator.bursts] == [1] * 6
    assert (source.identity.captures, source.identity.model) == (
        True, "Works Standard Counter, pulses by Works Strict Generator",
    )  # fmt: skip
    source.close()
    assert bench.generator.values["OUTP"] == "0"


@pytest.mark.parametrize("nothing", ["", "9.91E37", "9.9E37", "-2E-6"])
def test_a_pulse_without_an_answer_leaves_the_others_theirs(benches: Callable[..., Bench], nothing: str) -> None:
    batch = whole_run(benches(lambda number: nothing if number in (1, 5) else f"{number}E-3").open(), PLAN)
    assert batch.kind.tolist().count(STIMULUS) == 6
    found = dict.fromkeys(range(6))
    stimuli = batch.at_ns[batch.kind == STIMULUS].tolist()
    for at_ns in batch.at_ns[batch.kind == RISE].tolist():
        number = max(place for place, began in enumerate(stimuli) if began <= at_ns)
        found[number] = at_ns - stimuli[number]
    assert found == {0: 0, 1: None, 2: 2_000_000, 3: 3_000_000, 4: 4_000_000, 5: None}


def test_its_inputs_are_set_and_read_back(benches: Callable[..., Bench]) -> None:
    bench = benches(lambda _: "1E-6")
    source = bench.open(threshold_v=0.8)
    source.arm(PLAN)
    levels = {name: value for name, value in bench.counter.values.items() if name.endswith("LEV")}
    assert levels == {"EVEN1:LEV": "+8.000E-1", "EVEN2:LEV": "+8.000E-1"}
    source.close()
    source = bench.open(threshold_v=9)
    with pytest.raises(SettingError, match=r"the counter refused EVEN1:LEV 9"):
        source.arm(PLAN)
    source.close()
    with pytest.raises(SettingError, match=r"would damage"):
        bench.open(high_v=5.0)


def test_what_is_too_quick_is_refused(benches: Callable[..., Bench]) -> None:
    source = benches(lambda _: "1E-6").open()
    for quick in (replace(PLAN, floor_ns=1_000_000), replace(PLAN, pattern="periodic", period_ns=19_000_000)):
        with pytest.raises(SettingError, match=r"started anew for each pulse.*20 ms or more"):
            source.arm(quick)


def test_wrong_readings_and_silence_are_told(benches: Callable[..., Bench]) -> None:
    source = benches(lambda _: "soon").open()
    source.arm(PLAN)
    source.start()
    with pytest.raises(SourceError, match=r"the answer to FETC\? makes no sense: 'soon'"):
        source.read(1.0)
    with ScriptedSerial(StrictGenerator().reply) as generator, ScriptedSerial(lambda _: b"") as line:
        with pytest.raises(SourceError, match=r"the counter did not answer \*IDN\?"):
            CounterSource(generator.port, counter=line.port)
        with pytest.raises(SourceError, match=r"no such serial port"):
            CounterSource(generator.port, counter="/dev/ttyNONE")


def test_an_aborted_run_ends_once_and_another_follows(benches: Callable[..., Bench]) -> None:
    source = benches(lambda _: "1E-6").open()
    source.arm(replace(PLAN, count=1000))
    source.start()
    source.abort()
    batch = source.read(1.0)
    assert batch is not None
    assert batch.done
    assert source.read(0.0) is None
    assert len(whole_run(source, PLAN).kind) == 12


def test_a_whole_measurement_by_a_counter(benches: Callable[..., Bench], tmp_path: Path) -> None:
    bench = benches(lambda number: f"{100 + number}E-6")
    settings = {
        "board": {"gate": {"responder": "external"}},
        "source": {"kind": "counter", "port": bench.lines[0].port, "options": {"counter": bench.lines[1].port}},
        "stimulus": {"rate": "40/s", "floor": "20ms", "count": 8},
    }
    done = measure(parse_bench(settings, "bench.toml"), "", tmp_path / "run", lambda tally, batch: None,
                   Procedure(say=lambda line: None, repeat=[]))  # fmt: skip
    record = done.record
    assert (record.state, record.evidence) == ("complete", "loop-back")
    assert (record.counts["stimuli"], record.counts["responses"]) == (8, 8)
    assert (record.summary["reaction"]["min_ns"], record.summary["reaction"]["max_ns"]) == (100_000, 107_000)
