"""Wires that are right, and each that is not: told in plain words before the board drives anything it should not."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.integration.commands import explained
from tests.virtual_bench.bench import REJECT_OUT, VirtualBench
from tests.virtual_board.witness import watching_outputs

pytestmark = pytest.mark.virtual_board
STIMULUS, RESPONSE = "source:stimulus->EYE_IN", "REJECT_OUT->source:response"

# wires, then words of the findings
STIMULUS_FAULTS = {
    "swapped": (("source:stimulus->REJECT_OUT", "EYE_IN->source:response"), "The wires are swapped"),
    "stimulus cut": ((RESPONSE,), "Nothing arrives"),
    "stimulus inverted": ((f"!{STIMULUS}", RESPONSE), "It is inverted"),
    "shorted": ((STIMULUS, RESPONSE, "EYE_IN=REJECT_OUT"), "EYE_IN and REJECT_OUT are joined"),
}
# Both commands make the same check; of each kind of fault one is enough to see that a run obeys it.
MEASURED_TOO = ("swapped", "response cut")
RESPONSE_FAULTS = {
    "response cut": ((STIMULUS,), "It does not arrive"),
    "response inverted": ((STIMULUS, f"!{RESPONSE}"), "It is inverted"),
    "fed back": ((STIMULUS, RESPONSE, "REJECT_OUT->EYE_IN"), "EYE_IN and REJECT_OUT are joined"),
}


def nothing_measured(bench: VirtualBench) -> None:
    assert not (bench.place.root / "run").exists()


def told(bench: VirtualBench, words: str, also_measure: bool) -> None:
    """The fault is named, also by a run that would have measured with it."""
    done = bench.run("wiring", "--json")
    assert done.code == 1, done.err
    assert done.document["right"] is False
    wrong = [finding for finding in done.document["findings"] if not finding["right"]]
    assert any(words in finding["remedy"] for finding in wrong), wrong
    assert words in done.err
    if also_measure:
        explained(bench.run("measure", "--json", "--out", "run"), 3, "the wiring is not right", words)
        nothing_measured(bench)


def test_right_wires_pass_and_the_board_drives_only_after_the_stimulus_was_found(bench: VirtualBench) -> None:
    with watching_outputs(bench.board) as trace:
        done = bench.run("wiring", "--json")
    assert done.code == 0, done.err
    assert done.document["right"] is True
    assert len(done.document["findings"]) == 5
    rises, falls = trace.changes(REJECT_OUT)
    assert rises.size == falls.size == 11  # held high once, then ten answers


@pytest.mark.parametrize("fault", STIMULUS_FAULTS)
def test_a_wrong_stimulus_wire_is_told_and_the_output_is_never_driven(bench: VirtualBench, fault: str) -> None:
    wires, words = STIMULUS_FAULTS[fault]
    bench.board.wire(*wires)
    with bench.driving_nothing():
        told(bench, words, fault in MEASURED_TOO)


@pytest.mark.parametrize("fault", RESPONSE_FAULTS)
def test_a_wrong_response_wire_is_told(bench: VirtualBench, fault: str) -> None:
    wires, words = RESPONSE_FAULTS[fault]
    bench.board.wire(*wires)
    told(bench, words, fault in MEASURED_TOO)


@pytest.mark.parametrize(
    "command",
    [
        ["wiring"],
        ["measure", "--out", "run"],
        ["measure", "--no-wiring", "--out", "run"],
        ["compare", "--waits", "block,spin", "--no-wiring", "--out", "series"],
    ],
)
def test_a_source_of_5_volts_is_refused_before_anything_is_opened(
    bench: VirtualBench, command: list[str], tmp_path: Path
) -> None:
    config = tmp_path / "nowhere"
    config.write_text(f"Host {bench.board.host}\n HostName 127.0.0.1\n Port 1\n")
    bench.write(source=f"{bench.reference}\nlevel_v = 5.0", ssh_config=config)
    explained(bench.run(*command), 2, "drives 5 V", "takes 3.3 V", "source.divider")
    nothing_measured(bench)


def test_a_declared_divider_takes_5_volts(bench: VirtualBench) -> None:
    bench.write(source=f"{bench.reference}\nlevel_v = 5.0\ndivider = true")
    assert bench.run("wiring").code == 0
