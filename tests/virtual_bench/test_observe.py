"""The user's own program answers, in any language; the agent only watches both lines with kernel stamps."""

from __future__ import annotations

import numpy as np
import pytest

from edgereply.analysis.pairing.result import Status
from edgereply.evaluation.board_side import watched
from edgereply.evaluation.evaluate import evaluate
from edgereply.storage.stamps import FALL, RISE, STIMULUS
from tests.integration.commands import explained
from tests.virtual_bench.bench import REJECT_OUT, STIMULI, VirtualBench
from tests.virtual_bench.own_program import WAIT_S, plain_script
from tests.virtual_board.responding import responding
from tests.virtual_board.witness import watching_outputs

pytestmark = pytest.mark.virtual_board
TAPS = ("source:stimulus->SPARE_IN", "REJECT_OUT->CAPTURE_IN", "REJECT_OUT->SPARE_OUT")
WIRES = ("source:stimulus->EYE_IN", "REJECT_OUT->source:response", *TAPS)
OBSERVE = 'responder = "observe"\nstimulus_tap = "SPARE_IN"\nresponse_tap = "CAPTURE_IN"'
FALL_TAP = f'{OBSERVE}\nresponse_fall_tap = "SPARE_OUT"'
SLOW_PULSES = 10
# From the source's edge to a kernel stamp of it, and between two stamps of one edge: interrupts of others included.
WAY_IN_NS = 100_000


def test_a_plain_script_is_watched_and_every_account_agrees(bench: VirtualBench) -> None:
    bench.board.wire(*WIRES)
    bench.write(board=FALL_TAP)
    with watching_outputs(bench.board) as trace, plain_script(bench.board, SLOW_PULSES + STIMULI) as script:
        done = bench.run("measure", "--json", "--out", "run")
        assert done.code == 0, done.err
        own = script.stamps()
    summary = done.document
    assert (summary["evidence"], summary["virtual"], summary["state"]) == ("joined", True, "complete")
    assert (summary["stimuli"], summary["responses"], summary["missed"]) == (STIMULI, STIMULI, 0)
    assert set(summary["segments"]) == {"inside", "outside"}
    reader = bench.reader()
    record = reader.record
    assert (record.counts["joined"], record.counts["unseen"], record.counts["extra_edges"]) == (STIMULI, 0, 0)
    assert (record.in_effect["task"], record.requested["board"]["responder"]) == ("observe", "observe")
    assert len(reader.board().edge_ns) == 0
    edges = reader.observed()
    stimulus, rise, fall = (edges.of(kind) for kind in (STIMULUS, RISE, FALL))
    assert stimulus.size == rise.size == fall.size == STIMULI
    # The script's own stamps, the slow pulses of the wire check left out.
    edge, wake, set_, clear = (column[SLOW_PULSES:] for column in (own.edge, own.wake, own.set, own.clear))
    assert np.abs(stimulus - edge).max() < WAY_IN_NS
    assert (wake < rise).all()
    assert (rise < clear).all()
    assert (set_ < fall).all()
    # What the kernel traced of the output; nothing but the script drove anything.
    assert set(trace.offset) == {REJECT_OUT}
    for stamps, traced in zip((rise, fall), trace.changes(REJECT_OUT), strict=True):
        apart = stamps - traced[SLOW_PULSES:]
        assert np.abs(apart).max() < WAY_IN_NS
        assert np.median(np.abs(apart - int(np.median(apart)))) < 100, "a constant but for interrupts"
    result = evaluate(reader.source(), reader.board(), record.window_ns, None, observed=edges)
    assert (result.segments["inside"] == rise - stimulus).all()
    assert (result.reaction_ns > wake - edge).all()
    assert (result.segments["outside"] == result.reaction_ns - result.segments["inside"]).all()
    shown = bench.run("report", "run", "-o", "report.html")
    assert shown.code == 0, shown.err
    page = (bench.place.root / "report.html").read_text()
    assert "gate · observe" in page
    assert "jumper, watched" in page


def test_pulses_shorter_than_the_kernels_own_delay_are_stamped_right(bench: VirtualBench) -> None:
    """The responder in C is done before the kernel's interrupt threads (SCHED_FIFO 50) have run."""
    bench.board.wire(*WIRES)
    bench.write(board=FALL_TAP)
    program = responding(bench.board, STIMULI, WAIT_S, "fifo", "80")
    with watching_outputs(bench.board) as trace, program as responder:
        done = bench.run("measure", "--json", "--no-wiring", "--out", "run")
        assert done.code == 0, done.err
        responder.stamps()
    reader = bench.reader()
    inside = watched(reader.observed(), reader.record.window_ns)
    rises, falls = trace.changes(REJECT_OUT)
    assert rises.size == falls.size == STIMULI
    assert np.median(falls - rises) < 20_000
    assert (inside.status == Status.PAIRED).all()
    stamped = inside.edge_ns + inside.answer_ns
    apart = stamped - rises
    assert np.median(np.abs(apart - int(np.median(apart)))) < 100, "a constant but for interrupts"
    assert (stamped < falls).all()
    assert np.abs(inside.width_ns - (falls - rises)).max() < WAY_IN_NS


def test_a_line_that_the_program_holds_needs_a_jumper(bench: VirtualBench) -> None:
    bench.board.wire(*WIRES)
    bench.write(board=OBSERVE.replace("SPARE_IN", "EYE_IN"))
    with plain_script(bench.board, STIMULI):
        done = bench.run("measure", "--out", "run")
    explained(done, 3, "the line is in use by", "EYE_IN", "one program only", "spare input line", "stimulus_tap")
    assert not (bench.place.root / "run").exists()


@pytest.mark.parametrize(
    ("wires", "running", "words"),
    [
        (WIRES, False, "Is your program running?"),
        ((*WIRES[:2], "source:stimulus->CAPTURE_IN", "REJECT_OUT->SPARE_IN"), True, "The taps are swapped"),
    ],
)
def test_taps_that_are_wrong_are_told(bench: VirtualBench, wires: tuple[str, ...], running: bool, words: str) -> None:
    bench.board.wire(*wires)
    bench.write(board=OBSERVE)
    if running:
        with plain_script(bench.board, STIMULI):
            done = bench.run("wiring", "--json")
    else:
        done = bench.run("wiring", "--json")
    assert done.code == 1, done.err
    wrong = [finding["remedy"] for finding in done.document["findings"] if not finding["right"]]
    assert any(words in remedy for remedy in wrong), wrong
