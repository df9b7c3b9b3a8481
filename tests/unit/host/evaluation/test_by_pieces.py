"""Evaluation by pieces, held against the evaluation of the whole run."""

import itertools
import json
from pathlib import Path

import numpy as np
import pytest
import typer

from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.cli.on_terminal import end_with_run
from edgereply.cli.verdict import command as verdict
from edgereply.errors import SettingError
from edgereply.evaluation import by_pieces
from edgereply.evaluation.by_pieces import evaluate_by_pieces, goes_by_pieces
from edgereply.evaluation.evaluate import Evaluation
from edgereply.evaluation.load_view import evaluate_run, summed_up
from edgereply.evaluation.pieces import EARLIEST, LATEST, cut
from edgereply.evaluation.verdict import judge_pieces, judge_run
from edgereply.exchange.bundle.check import check_run
from edgereply.storage.run_reader import RunReader
from edgereply.storage.run_record import SourceRecord
from edgereply.storage.run_writer import RunWriter, replace_record
from edgereply.storage.stamps import BoardStamps, SourceStamps
from tests.benchmarks.long_run import made_up_run
from tests.fakes.records import run_record

DEADLINE_NS = 300_000
STIMULI = 40_000


def troubled_run(directory: Path, *, board: bool = True, captures: bool = True) -> RunReader:
    """Answers lost and late in bursts on both sides, edges from nowhere, two clocks: each a chance to miscount."""
    rng = np.random.default_rng(5)
    stimulus = np.cumsum(1_000_000 + rng.exponential(4e6, STIMULI).astype(np.int64))
    wake = 30_000 + rng.gamma(2.0, 8_000.0, STIMULI).astype(np.int64)
    wake += np.where(rng.random(STIMULI) < 0.003, rng.exponential(2e6, STIMULI), 0).astype(np.int64)
    # Held up for 40 ms each 10 s: the answers come in a burst, in order.
    until = (stimulus // 10_000_000_000 * 10_000_000_000) + 40_000_000
    wake = np.maximum(wake, until - stimulus)
    rise = np.maximum.accumulate(stimulus + wake + 15_000 + np.arange(STIMULI) % 2)
    rise += 30_000 * (np.diff(rise, prepend=0) < 30_000)
    answered = rng.random(STIMULI) > 0.004
    rises = np.sort(np.concatenate([rise[answered], rng.integers(stimulus[0], stimulus[-1], 200)]))
    kind = np.repeat(np.array([1, 2, 3], np.uint8), [STIMULI, len(rises), len(rises)])
    at = np.concatenate([stimulus, rises, rises + 11_000])
    order = np.argsort(at, kind="stable")
    record = run_record(source=SourceRecord(kind="virtual", captures=captures), deadline_ns=DEADLINE_NS)
    writer = RunWriter(directory, record, part_rows=1)
    for piece in np.array_split(order, 23):
        writer.add_source(kind[piece], at[piece])
        writer.commit()
    if board:
        seen = rng.random(STIMULI) > 0.003
        edge = (stimulus + stimulus // 40_000 + 77_000_000_000)[seen]
        strays = rng.integers(edge[0], edge[-1], 90)
        edges, waits = np.concatenate([edge, strays]), np.concatenate([wake[seen], np.full(90, 40_000)])
        order = np.argsort(edges)
        edges, waits = edges[order], waits[order]
        for part in np.array_split(np.arange(len(edges)), 17):
            numbers = part.astype(np.uint32)
            e, w = edges[part], waits[part]
            writer.add_board(BoardStamps(e, e + w, e + w + 9_000, e + w + 20_000, numbers, numbers))
            writer.commit()
    writer.finish("complete", "")
    return RunReader(directory)


def agree(reader: RunReader, whole: Evaluation, stimuli: int, doubtful: int = 0) -> by_pieces.PieceByPiece:
    """Counts and verdict are the same; figures that are exact too, and quantiles within the stated error.

    A piece counts for itself how often stamps are lost, and with little around it so that what stands at the edge of
    doubt may be left open there and decided in the whole: so many stimuli may be `doubtful`, no more.
    """
    found = evaluate_by_pieces(reader, DEADLINE_NS, stimuli)
    expected, summary = whole.summary(virtual=True), found.summary(virtual=True)
    if doubtful and dict(found.counts) != whole.counts:
        assert max(abs(found.counts[name] - count) for name, count in whole.counts.items()) <= doubtful
        assert found.evidence == whole.evidence
        outcomes = {judge_pieces(found, 0.95, 1e-3).outcome, judge_run(whole, DEADLINE_NS, 0.95, 1e-3, False).outcome}
        assert len(outcomes) == 1
        return found
    assert dict(found.counts) == whole.counts
    assert found.evidence == whole.evidence
    assert set(summary["segments"]) == set(expected["segments"])
    samples = {"reaction": expected["reaction"], "pulse_width": expected["pulse_width"], **expected["segments"]}
    for name, sample in samples.items():
        mine = summary["segments"][name] if name in summary["segments"] else summary[name]
        for exact in ("count", "min_ns", "max_ns", "peak_to_peak_ns"):
            assert mine[exact] == sample[exact], (name, exact)
        assert mine["mean_ns"] == pytest.approx(sample["mean_ns"], rel=1e-12)
        assert mine["std_ns"] == pytest.approx(sample["std_ns"], rel=1e-9)
        for quantile in ("median_ns", "p90_ns", "p99_ns", "p99_9_ns"):
            error = summary["by_pieces"]["relative_error"] * abs(sample[quantile])
            assert abs(mine[quantile] - sample[quantile]) <= error + 1, (name, quantile)
    judged = judge_pieces(found, 0.95, 1e-3)
    expected_verdict = judge_run(whole, DEADLINE_NS, 0.95, 1e-3, with_tail=False)
    assert judged.verdict == expected_verdict.verdict
    assert (judged.outcome, judged.ambiguous) == (expected_verdict.outcome, expected_verdict.ambiguous)
    assert judged.mean_interval_ns == expected_verdict.mean_interval_ns
    return found


@pytest.fixture
def small_context(monkeypatch: pytest.MonkeyPatch) -> None:
    def shorter(parts: object, window_ns: int, stimuli: int) -> object:
        return cut(parts, window_ns, stimuli, context=800)  # type: ignore[arg-type]

    monkeypatch.setattr(by_pieces, "cut", shorter)


@pytest.mark.usefixtures("small_context")
@pytest.mark.parametrize("stimuli", [4_000, 9_973, 39_000, 10**6])
def test_pieces_of_any_length_add_up_to_the_whole(tmp_path: Path, stimuli: int) -> None:
    reader = troubled_run(tmp_path / "run")
    whole = evaluate_run(reader, DEADLINE_NS)
    assert whole.evidence == "joined"
    assert min(whole.counts[name] for name in ("missed", "spurious", "late", "unseen", "extra_edges")) > 50
    found = agree(reader, whole, stimuli, doubtful=STIMULI // 4_000)
    # Only whole parts are read, so that the last piece may be longer.
    assert STIMULI / stimuli / 2 < found.pieces <= -(-STIMULI // stimuli)


@pytest.mark.usefixtures("small_context")
def test_the_sources_clock_alone_is_enough(tmp_path: Path) -> None:
    reader = troubled_run(tmp_path / "run", board=False)
    found = agree(reader, evaluate_run(reader, DEADLINE_NS), 5_000)
    assert found.evidence == "loop-back"
    assert not found.segments


def test_a_million_stimuli(tmp_path: Path) -> None:
    made_up_run(tmp_path / "run", 1_000_000)
    reader = RunReader(tmp_path / "run")
    assert agree(reader, evaluate_run(reader, DEADLINE_NS), 150_000).pieces == 6


def test_the_limit_and_the_option_decide(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    reader = troubled_run(tmp_path / "run")
    assert not goes_by_pieces(reader, None)
    assert goes_by_pieces(reader, True)
    monkeypatch.setattr(by_pieces, "MOST_WHOLE", 1_000)
    assert goes_by_pieces(reader, None)
    assert not goes_by_pieces(reader, False)


def test_a_run_that_cannot_be_cut_is_evaluated_as_a_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    reader = troubled_run(tmp_path / "run", captures=False)
    monkeypatch.setattr(by_pieces, "MOST_WHOLE", 1_000)
    assert not goes_by_pieces(reader, None)
    with pytest.raises(SettingError, match="by pieces"):
        goes_by_pieces(reader, True)


def test_every_stimulus_counts_once_and_sees_what_is_around_it() -> None:
    rng = np.random.default_rng(1)
    at = np.sort(rng.integers(0, 10**9, 5_000))
    none = np.full(100, NO_STAMP)
    parts = [SourceStamps(some, some + 5, none) for some in at.reshape(-1, 100)]
    pieces = list(cut(parts, 1_000_000, stimuli=700, context=50))
    assert len(pieces) > 4
    np.testing.assert_array_equal(np.concatenate([piece.stimulus_ns[piece.own] for piece in pieces]), at)
    assert [piece.from_ns for piece in pieces] == [EARLIEST, *(piece.to_ns for piece in pieces[:-1])]
    assert pieces[-1].to_ns == LATEST
    for piece in pieces[1:]:
        assert piece.own.start >= 50
        assert piece.stimulus_ns[0] <= piece.from_ns - 3_000_000
    for piece in pieces[:-1]:
        assert len(piece.stimulus_ns) > piece.own.stop + 50
        assert piece.stimulus_ns[-1] >= piece.to_ns + 3_000_000


def test_stimuli_at_one_moment_stay_together() -> None:
    at = np.repeat(np.arange(300) * 1_000, 4)
    pieces = list(cut([SourceStamps(at, at, at)], 1, stimuli=101, context=5))
    assert len(pieces) > 1
    assert sum(len(piece.stimulus_ns[piece.own]) for piece in pieces) == len(at)
    for before, after in itertools.pairwise(pieces):
        assert before.stimulus_ns[before.own][-1] < after.from_ns == after.stimulus_ns[after.own][0]


def test_a_long_run_is_summed_up_by_pieces_when_it_ends_and_when_it_is_checked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    reader = troubled_run(tmp_path / "run")
    monkeypatch.setattr(by_pieces, "MOST_WHOLE", 1_000)
    found = summed_up(reader, DEADLINE_NS)
    summary = found.summary(virtual=True) | {"context": {}}
    assert summary["by_pieces"] == {"pieces": 1, "relative_error": 2.0**-12}
    counts = dict(found.counts)
    replace_record(reader.directory, reader.record.model_copy(update={"summary": summary, "counts": counts}))
    assert check_run(reader.directory).differences == ()
    end_with_run(reader.directory, [], details=True)
    said = capsys.readouterr().out
    assert "Evaluated by pieces (1)" in said
    assert "1 part in 4,096" in said
    assert f"{STIMULI:,} stimuli" in said
    summary["reaction"]["p99_ns"] += 1
    replace_record(reader.directory, reader.record.model_copy(update={"summary": summary}))
    assert "p99_ns" in " ".join(check_run(reader.directory).differences)


def test_a_run_that_was_cut_off_knows_its_length(tmp_path: Path) -> None:
    reader = troubled_run(tmp_path / "run")
    rows = reader.rows("stamps"), reader.rows("board"), reader.rows("observed")
    replace_record(reader.directory, reader.record.model_copy(update={"state": "running", "parts": []}))
    cut_off = RunReader(reader.directory)
    assert rows == (cut_off.rows("stamps"), cut_off.rows("board"), cut_off.rows("observed"))
    assert rows[0] >= STIMULI


def test_the_verdict_says_that_it_went_by_pieces(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run = troubled_run(tmp_path / "run").directory
    said: dict[bool, dict[str, object]] = {}
    for pieces in (True, False):
        with pytest.raises(typer.Exit) as ended:
            verdict(run, deadline="300us", exceed="1e-3", by_pieces=pieces, as_json=True)
        assert ended.value.exit_code == 1
        said[pieces] = json.loads(capsys.readouterr().out)
    # All that the whole run's verdict says, but for approximate medians by segment.
    for name in set(said[False]) - {"late_segments_ns"}:
        assert said[True][name] == said[False][name], name
    assert said[True]["by_pieces"] == {"pieces": 1, "relative_error": 2.0**-12}
    with pytest.raises(SettingError, match="tail model"):
        verdict(run, deadline="300us", tail=True, by_pieces=True)
