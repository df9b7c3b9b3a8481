"""Runs that were cut off, and stimuli whose answers cannot be told: counted, bounded, never decided on."""

from __future__ import annotations

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.analysis.pairing.result import Status
from edgereply.evaluation.cautions import cautions
from edgereply.evaluation.evaluate import TAIL_NS, Evaluation, evaluate, watched_to
from edgereply.evaluation.verdict import judge_run
from edgereply.evaluation.verdict_sentences import sentences
from edgereply.exchange.export.batches import STATUS_NAMES
from edgereply.storage.stamps import BoardStamps, RowBuilder, SourceStamps
from tests.fakes.saved_runs import record
from tests.unit.host.analysis.pairing.grid import ARRIVALS, WINDOW_NS, Trouble, make

MS = 1_000_000
NO_ROWS = BoardStamps.concatenate([])


def rows_of(stimulus: Int64s, rise: Int64s) -> SourceStamps:
    """As a run's files hold them."""
    kind = np.concatenate((np.full(stimulus.size, 1, np.uint8), np.full(rise.size, 2, np.uint8)))
    builder = RowBuilder()
    at = np.concatenate((stimulus, rise))
    order = np.argsort(at, kind="stable")
    return SourceStamps.concatenate([builder.feed(kind[order], at[order]), builder.finish()])


def killed_run() -> Evaluation:
    """240 stimuli; the board's rows end after 40 of them, the source's record goes on to 3 ms after a late rise."""
    run = make(ARRIVALS["exponential"], Trouble(rows_to_share=0.16), 240, 4)
    end = int(run.rise_ns[233])
    rise = run.rise_ns[run.rise_ns <= end]
    stimulus = run.stimulus_ns[run.stimulus_ns <= end + 3 * MS]
    none = np.full(run.edge_ns.size, NO_STAMP, np.int64)
    numbers = np.zeros(run.edge_ns.size, np.uint32)
    board = BoardStamps(run.edge_ns, none, run.set_ns, none, numbers, numbers)
    return evaluate(rows_of(stimulus, rise), board, WINDOW_NS, 2 * MS, tail_ns=0)


def test_the_rises_of_a_killed_run_are_answers() -> None:
    found = killed_run()
    assert found.evidence == "joined"
    assert found.counts["responses"] == 234
    assert found.counts["missed"] == 0
    assert found.counts["unobserved"] == found.counts["stimuli"] - 234


def test_segments_are_of_answers_and_it_is_said_of_how_many() -> None:
    """Rows of 40 of 234 answers; none of a stimulus that has no reaction time."""
    found = killed_run()
    rows = int(np.count_nonzero(found.segments["outside"] != NO_STAMP))
    assert found.counts["without_segments"] == 234 - rows
    assert f"Of {234 - rows} answers the board kept no row" in " ".join(cautions(record(), found.counts))
    timed = found.reaction_ns != NO_STAMP
    for values in found.segments.values():
        assert not np.any((values != NO_STAMP) & ~timed)


def test_what_is_left_out_is_counted_and_bounded() -> None:
    rng = np.random.default_rng(3)
    stimulus = np.cumsum(rng.exponential(5.0 * MS, 500)).astype(np.int64)
    rise = (stimulus + rng.integers(80_000, 120_000, 500))[:-4]
    found = evaluate(rows_of(stimulus, rise), NO_ROWS, WINDOW_NS, 115_000, tail_ns=0)
    summary = found.summary(virtual=True)
    assert (summary["missed"], summary["unobserved"]) == (0, 4)
    low, high = summary["bounds"]["reaction"]["median_ns"]
    assert low < summary["reaction"]["median_ns"] < high
    late = np.count_nonzero(found.reaction_ns > 115_000)
    assert summary["bounds"]["late_share"] == [late / 500, (late + 4) / 500]
    whole = evaluate(rows_of(stimulus, rise), NO_ROWS, WINDOW_NS, 115_000)
    assert whole.summary(virtual=True)["bounds"] is None
    assert whole.counts["missed"] == 4


def test_a_verdict_does_not_decide_on_what_was_not_watched() -> None:
    rng = np.random.default_rng(3)
    stimulus = np.cumsum(rng.exponential(5.0 * MS, 4_000)).astype(np.int64)
    rise = stimulus + rng.integers(80_000, 120_000, 4_000)
    whole = evaluate(rows_of(stimulus, rise), NO_ROWS, WINDOW_NS, MS, tail_ns=0)
    assert judge_run(whole, MS, 0.95, None, with_tail=False).outcome == "pass"
    cut = evaluate(rows_of(stimulus, rise[:-3]), NO_ROWS, WINDOW_NS, MS, tail_ns=0)
    judged = judge_run(cut, MS, 0.95, None, with_tail=False)
    assert (judged.outcome, judged.unobserved, judged.ambiguous) == ("not enough data", 3, 0)
    assert any("3 stimuli without an answer" in line for line in sentences(judged))


def test_a_failure_that_the_unknown_could_undo_is_none() -> None:
    """Of 400 stimuli 5 in 100 may be late; the 23 late ones are too many, unless 60 unknown ones were all on time."""
    rng = np.random.default_rng(1)
    reaction, status = np.full(460, 100_000, np.int64), np.full(460, Status.PAIRED, np.uint8)
    some = rng.permutation(460)
    reaction[some[:23]] = 2 * MS
    status[some[-60:]], reaction[some[-60:]] = Status.AMBIGUOUS, NO_STAMP
    stimulus = np.arange(1, 461, dtype=np.int64) * MS + rng.integers(0, 900_000, 460)
    nothing = np.full(460, NO_STAMP, np.int64)
    counts = {"stimuli": 460, "unobserved": 0, "ambiguous": 60}
    found = Evaluation("loop-back", stimulus, status, reaction, nothing, {}, counts, [], nothing)
    known = judge_run(found, MS, 0.95, 0.036, with_tail=False)
    assert (known.verdict.late, known.verdict.outcome) == (23, "fail")
    assert known.outcome == "not enough data"


def test_the_reader_is_told() -> None:
    told = cautions(record(), {"unobserved": 2, "ambiguous": 1})
    assert any("2 stimuli without an answer, since the record ends" in line for line in told)
    assert not any("no figure of time" in line for line in cautions(record(), {"unobserved": 0}))


def test_the_record_ends_with_its_last_stamp_or_the_sources_tail() -> None:
    none, at = np.empty(0, np.int64), np.array([5, 90], np.int64)
    assert watched_to(at, none, none, None) is None
    assert watched_to(none, none, none, 0) is None
    assert watched_to(at, none, none, 0) == 90
    assert watched_to(at, np.array([400]), none, 0) == 400
    assert watched_to(at, none, none, TAIL_NS) == 90 + TAIL_NS


def test_statuses_are_named_in_an_export() -> None:
    assert STATUS_NAMES[Status.UNOBSERVED] == "unobserved"
