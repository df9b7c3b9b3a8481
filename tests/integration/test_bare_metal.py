"""A board that cannot run Python, measured from outside by the reference firmware, both in the chip simulator."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.rig.rig import Rig

from edgereply.config.bench_file import parse_bench
from edgereply.evaluation.explanation import explain_run, sentences
from edgereply.evaluation.load_view import evaluate_run, load_view
from edgereply.measurement.measure import Measured, Procedure, measure
from edgereply.storage.run_reader import RunReader

pytestmark = pytest.mark.rig

TICK_NS = 1_024_000


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Measured]:
    directory: Path = tmp_path_factory.mktemp("bare") / "run"
    with Rig(board="lookup") as rig:
        bench = parse_bench(
            {
                "board": {"bare": {"link": "local", "responder": "external"}},
                "source": {"kind": "reference", "port": rig.port, "virtual": True},
                "stimulus": {"rate": "2000/s", "floor": "300us", "count": 12_000, "seed": 3},
            },
            "bench.toml",
        )
        yield measure(bench, "", directory, lambda tally, batch: None, Procedure(say=lambda line: None, repeat=[]))


def test_every_stimulus_is_answered_and_the_run_says_virtual(measured: Measured) -> None:
    record = measured.record
    assert (record.state, record.virtual, record.evidence) == ("complete", True, "loop-back")
    assert record.counts["stimuli"] == record.counts["responses"] == 12_000
    assert record.source.model == "atmega328p"
    assert load_view(measured.directory).title == "bare · external"


def test_its_reaction_times_are_of_the_order_of_common_practice(measured: Measured) -> None:
    # Common practice, no source: such a board with a slow pin look-up answers in about 7 µs at best, 13 µs at worst.
    reaction = measured.record.summary["reaction"]
    assert 5_000 < reaction["min_ns"] < 9_000
    assert 9_000 < reaction["max_ns"] < 15_000
    # ATmega328P data sheet, interrupt response: at least 4 cycles and 3 for the vector's jump, 62.5 ns each.
    assert reaction["min_ns"] >= 7 * 62.5


def test_its_late_answers_are_explained_by_the_millisecond_tick(measured: Measured) -> None:
    # ATmega328P data sheet: timer 0 behind a prescaler of 64 overflows every 64 · 256 cycles, 1.024 ms at 16 MHz.
    result = evaluate_run(RunReader(measured.directory), None)
    explanation = explain_run(result, None)
    (period,) = explanation.periods
    assert abs(period.finding.period_ns / TICK_NS - 1) < 50e-6
    assert [suspect.name for suspect in period.suspects] == ["timer 0 overflow of a 16 MHz microcontroller"]
    assert 0.003 < explanation.late / 12_000 < 0.012
    assert any("1.024" in sentence for sentence in sentences(explanation))


def test_answers_too_short_for_the_source_have_no_width_and_are_told(measured: Measured) -> None:
    # The firmware says so in examples/pulse-source/README.md: under 30 µs, within 20 µs of the stimulus.
    counts = measured.record.counts
    lost = counts["responses"] - measured.record.summary["pulse_width"]["count"]
    assert lost > 0
    assert counts["falls_lost"] == lost
    (told,) = (text for text in load_view(measured.directory).cautions if "pulse width" in text)
    assert told.startswith(f"{lost} of {counts['responses']} answers have no pulse width")
