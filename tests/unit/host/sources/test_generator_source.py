"""The function generator's client against a strict instrument."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest

from edgereply.errors import SettingError, SourceError
from edgereply.sources import dialogue
from edgereply.sources.base import StimulusPlan
from edgereply.sources.generator import GeneratorSource
from tests.conformance.pulse_source import whole_run
from tests.fakes.scripted_serial import ScriptedSerial
from tests.fakes.strict_generator import StrictGenerator

PLAN = StimulusPlan(pattern="periodic", period_ns=2_000_000, width_ns=50_000, count=20)


class Bench:
    """A generator and its line."""

    def __init__(self, generator: StrictGenerator | None = None) -> None:
        self.generator = generator or StrictGenerator()
        self.line = ScriptedSerial(self.generator.reply)
        self.sources: list[GeneratorSource] = []

    def open(self, **options: Any) -> GeneratorSource:
        source = GeneratorSource(self.line.port, **options)
        self.sources.append(source)
        return source


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    monkeypatch.setattr(dialogue, "ANSWER_S", 0.5)
    bench = Bench()
    yield bench
    for source in bench.sources:
        source.close()
    bench.line.close()


def test_identity(bench: Bench) -> None:
    identity = bench.open(tolerance_ppm=25.0).identity
    assert (identity.model, identity.serial, identity.firmware) == ("Works Strict Generator", "42", "1.0")
    assert (identity.captures, identity.tolerance_ppm) == (False, 25.0)


def test_it_is_set_up_with_the_output_off_and_on_last(bench: Bench) -> None:
    source = bench.open()
    assert source.arm(PLAN) == PLAN
    values = bench.generator.values
    assert Decimal(values["PULS:PER"]) == Decimal("0.002")
    assert Decimal(values["PULS:WIDT"]) == Decimal("0.00005")
    assert Decimal(values["VOLT:HIGH"]) == Decimal("3.3")
    assert Decimal(values["VOLT:LOW"]) == 0
    assert Decimal(values["BURS:NCYC"]) == 20
    assert (values["BURS:STAT"], values["TRIG:SOUR"]) == ("1", "BUS")
    texts = [text for text, on, _ in bench.generator.log if on]
    assert texts == ["OUTP 1", "SYST:ERR?", "OUTP?"]
    assert bench.generator.bursts == []


def test_the_error_queue_is_looked_at_after_each_setting(bench: Bench) -> None:
    bench.open().arm(PLAN)
    texts = [text for text, _, _ in bench.generator.log]
    settings = [at for at, text in enumerate(texts) if " " in text]
    assert len(settings) >= 10
    assert all(texts[at + 1] == "SYST:ERR?" for at in settings)


@pytest.mark.parametrize(
    "change",
    [{"period_ns": 90_000_000, "width_ns": 9_000_000}, {"period_ns": 200_000, "width_ns": 30_000}],
)
def test_times_whose_order_matters(bench: Bench, change: dict[str, int]) -> None:
    """After a reset the width is 500 µs and the period 1 ms; a strict instrument refuses 200 µs before 30 µs."""
    plan = replace(PLAN, **change)  # type: ignore[arg-type]
    source = bench.open()
    assert source.arm(plan) == plan
    assert source.arm(PLAN) == PLAN


def test_the_output_level_is_never_on_above_the_limit(bench: Bench) -> None:
    with pytest.raises(SettingError, match=r"would damage an input that bears -0.3 V to 3.3 V"):
        bench.open(high_v=5.0)
    source = bench.open(high_v=5.0, input_limit_v=5.0)
    source.arm(PLAN)
    assert all(level <= Decimal("5") for _, on, level in bench.generator.log if on)


@pytest.mark.parametrize("levels", [{"high_v": 0.0}, {"low_v": -0.5}, {"low_v": 3.3}])
def test_senseless_levels(bench: Bench, levels: dict[str, float]) -> None:
    with pytest.raises(SettingError):
        bench.open(**levels)


def test_a_matched_load_doubles_the_level() -> None:
    bench = Bench(StrictGenerator(has_load=False))
    source = bench.open()
    with pytest.raises(SettingError, match=r"0\.0 V to 6\.6 V \(2 times the setting"):
        source.arm(PLAN)
    assert bench.generator.values["OUTP"] == "0"
    source.close()
    source = bench.open(high_v=1.6)
    source.arm(PLAN)
    assert bench.generator.values["OUTP"] == "1"
    source.close()
    bench.line.close()


def test_a_level_that_reads_back_higher_keeps_the_output_off(bench: Bench) -> None:
    bench.generator.change = lambda line, answer: "4.9\n" if line == "VOLT:HIGH?" else answer
    source = bench.open()
    with pytest.raises(SettingError, match=r"4\.9 V would damage"):
        source.arm(PLAN)
    assert not any(on for _, on, _ in bench.generator.log)


def test_a_level_that_did_not_take(bench: Bench) -> None:
    bench.generator.change = lambda line, answer: "2.0\n" if line == "VOLT:HIGH?" else answer
    with pytest.raises(SourceError, match=r"VOLT:HIGH was set to 3.3 V but reads 2.0 V"):
        bench.open().arm(PLAN)


@pytest.mark.parametrize("pattern", ["exponential", "uniform"])
def test_only_periodic(bench: Bench, pattern: str) -> None:
    with pytest.raises(SettingError, match="cannot do"):
        bench.open().arm(replace(PLAN, pattern=pattern))  # type: ignore[arg-type]


def test_what_the_instrument_refuses(bench: Bench) -> None:
    source = bench.open()
    with pytest.raises(SettingError, match=r"refused BURS:NCYC 50001: -222"):
        source.arm(replace(PLAN, count=50_001))
    assert bench.generator.values["OUTP"] == "0"
    source.close()
    source = bench.open(count_by="pulse")
    with pytest.raises(SourceError, match=r"PULS:COUN 20 failed: -113"):
        source.arm(PLAN)


def test_a_run_reports_nominal_times(bench: Bench) -> None:
    source = bench.open()
    assert whole_run(source, PLAN).at_ns.tolist() == [number * 2_000_000 for number in range(20)]
    assert [cycles for cycles, _ in bench.generator.bursts] == [20]


def test_inverted(bench: Bench) -> None:
    assert bench.open().arm(replace(PLAN, inverted=True)).inverted
    assert bench.generator.values["OUTP:POL"] == "INV"


def test_a_trigger_ignored_is_an_error(bench: Bench) -> None:
    source = bench.open()
    source.arm(PLAN)
    bench.generator.values["OUTP"] = "0"
    with pytest.raises(SourceError, match=r"to trigger failed: -211"):
        source.start()


def test_closing_switches_the_output_off(bench: Bench) -> None:
    source = bench.open()
    source.arm(replace(PLAN, count=50_000))
    source.start()
    source.close()
    bench.line.wait_for(b"ABOR\nSYST:ERR?\n")
    assert bench.generator.values["OUTP"] == "0"


def test_something_else_answers() -> None:
    with (
        ScriptedSerial(lambda line: b"what?\n" if b"IDN" in line else b"") as line,
        pytest.raises(SourceError, match=r"does not identify itself.*'what\?'"),
    ):
        GeneratorSource(line.port)


@pytest.mark.parametrize(
    ("header", "wanted_ns", "most_off_ns"), [("PULS:PER", 2_000_000, 210), ("PULS:WIDT", 50_000, 510)]
)
@pytest.mark.parametrize("sign", [1, -1])
def test_how_far_a_reading_may_be_off(bench: Bench, header: str, wanted_ns: int, most_off_ns: int, sign: int) -> None:
    """A ten-thousandth of the period, a hundredth of the width, and 10 ns for rounding."""
    source = bench.open()
    for off_ns in (most_off_ns, most_off_ns + 1):
        reading = f"{(wanted_ns + sign * off_ns)}E-9\n"
        bench.generator.change = lambda line, answer, reading=reading: reading if line == f"{header}?" else answer  # type: ignore[misc]
        if off_ns == most_off_ns:
            took = source.arm(PLAN)
            assert wanted_ns + sign * off_ns in (took.period_ns, took.width_ns)
        else:
            with pytest.raises(SourceError, match=f"{header} was set to {wanted_ns} ns but reads"):
                source.arm(PLAN)
