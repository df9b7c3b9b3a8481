"""Stimuli, rows and rises put together: written-out cases, an exact assignment, and the grid of hard runs."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linear_sum_assignment

from edgereply.analysis.arrays.aliases import Floats, Int64s
from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.analysis.pairing.alignment import Alignment, align
from edgereply.analysis.pairing.assignment import pair_by_rows, usual_delay, with_unobserved
from edgereply.analysis.pairing.matching import DOUBT, match
from edgereply.analysis.pairing.one_clock import pair
from edgereply.analysis.pairing.posterior import MISSED_INDEX, settle
from edgereply.analysis.pairing.residual_likelihood import Likelihood, Ordinary, Reach, Shares
from edgereply.analysis.pairing.result import Pairing, Status
from edgereply.analysis.pairing.rivals import Refusal
from tests.unit.host.analysis.pairing.grid import ARRIVALS, TROUBLES, UNDECIDED, WINDOW_NS, GridRun, Trouble, make

MS = 1_000_000


def paired(run: GridRun, alignment: Alignment | None = None, watched_to_ns: int | None = None) -> Pairing:
    """Align and assign."""
    alignment = alignment or align(run.stimulus_ns, run.edge_ns)
    edges = (run.stimulus_ns, run.rise_ns, run.rise_ns + 10_000)
    found = pair_by_rows(edges, WINDOW_NS, alignment, run.set_ns, watched_to_ns)
    assert found is not None
    return found


def wrong(found: Pairing, true_rise_ns: Int64s) -> int:
    """Paired stimuli whose rise is not the true one."""
    chosen = found.status == Status.PAIRED
    return int(np.count_nonzero(found.rise_ns[chosen] != true_rise_ns[chosen]))


def left_out(found: Pairing, true_rise_ns: Int64s) -> int:
    """Answered stimuli that are not paired."""
    return int(np.count_nonzero((true_rise_ns >= 0) & (found.status != Status.PAIRED)))


@pytest.mark.parametrize("trouble", TROUBLES)
@pytest.mark.parametrize("arrivals", ARRIVALS)
def test_every_answer_finds_its_stimulus(arrivals: str, trouble: str) -> None:
    """The bars: no wrong pair, at most one in a thousand left out, nothing refused."""
    for size, seed in ((100, 3), (700, 4)):
        run = make(ARRIVALS[arrivals], TROUBLES[trouble], size, seed)
        alignment = align(run.stimulus_ns, run.edge_ns)
        assert alignment.refusal is None, alignment.reason
        found = paired(run, alignment, run.watched_to_ns)
        recorded = run.true_rise_ns <= (run.watched_to_ns or np.iinfo(np.int64).max)
        assert wrong(found, run.true_rise_ns) == 0
        assert left_out(found, np.where(recorded, run.true_rise_ns, -1)) <= max(1, size // 1000)
        # What was answered after the end of the record was not missed.
        assert not np.any((found.status == Status.MISSED) & ~recorded)


@pytest.mark.parametrize(
    ("trouble", "size"), [("clean", 400), ("lost and added", 400), ("late and early gone", 100), ("jitter", 400)]
)
@pytest.mark.parametrize("arrivals", UNDECIDED)
def test_what_repeats_is_refused_with_the_true_reason(arrivals: str, trouble: str, size: int) -> None:
    run = make(UNDECIDED[arrivals], TROUBLES[trouble], size, 5)
    alignment = align(run.stimulus_ns, run.edge_ns)
    assert alignment.refusal is (Refusal.EVEN if arrivals == "periodic" else Refusal.REPEATING)
    assert ("random" in alignment.reason) == (arrivals == "periodic")
    # Shifted by a whole number of repetitions.
    pulses = int(alignment.reason.partition("shifted by ")[2].partition(" ")[0])
    assert pulses % {"periodic": 1, "repeating 7": 7, "repeating 40": 40}[arrivals] == 0


@pytest.mark.parametrize(("period", "size", "trouble", "seed"), [(150, 1_000, "drift", 6), (40, 10_000, "clean", 5)])
def test_a_long_repetition_is_refused_however_often_it_comes(period: int, size: int, trouble: str, seed: int) -> None:
    """The clock that was followed bends with the jitter of the one reading; that must not count for it."""
    run = make(
        lambda n, rng: np.resize(MS * 5 * (0.1 + 0.9 * rng.exponential(1.0, period)), n), TROUBLES[trouble], size, seed
    )
    alignment = align(run.stimulus_ns, run.edge_ns)
    assert alignment.refusal is Refusal.REPEATING
    assert int(alignment.reason.partition("shifted by ")[2].partition(" ")[0]) % period == 0


def test_an_added_edge_further_out_than_any_own_is_not_taken_for_a_lost_one() -> None:
    """5.8 us early, where none is earlier than 3.0; 5 % are lost and 1 % added: nothing says that it is the own one."""
    run = make(ARRIVALS["bursts of ten"], TROUBLES["lost and added"], 10_000, 0)
    alignment = align(run.stimulus_ns, run.edge_ns)
    found = paired(run, alignment)
    assert wrong(found, run.true_rise_ns) == 0
    assert left_out(found, run.true_rise_ns) <= 10
    assert found.status[9_358] == Status.AMBIGUOUS


def test_one_stray_edge_where_the_board_was_not_there_leaves_little_open() -> None:
    """The board's rows begin after 400 of 1,000 stimuli; one stray edge lies in the middle of those."""
    run = make(ARRIVALS["exponential"], Trouble(from_share=0.4), 1_000, 3)
    stray = int(run.edge_ns[0]) - int(run.stimulus_ns[400] - run.stimulus_ns[200]) - 900_000
    alignment = align(run.stimulus_ns, np.concatenate(([stray], run.edge_ns)))
    assert alignment.aligned == 600
    assert alignment.ambiguous <= 30
    assert alignment.unseen >= 370


def test_a_clock_that_wandered_in_a_pause_is_found_again() -> None:
    """20 s without a stimulus, 5 ppm of wander: 270 stimuli after it were left open."""
    run = make(ARRIVALS["a pause"], TROUBLES["drift"], 10_000, 10)
    assert align(run.stimulus_ns, run.edge_ns).aligned == 10_000
    assert paired(run).paired == 10_000


@pytest.mark.parametrize("seed", [12, 15])
def test_a_clock_that_took_another_rate_in_a_pause_is_found_again(seed: int) -> None:
    """By 20 ppm, as while its time is being set: 991 stimuli were left open and 9 given wrong answers."""
    run = make(ARRIVALS["a pause"], Trouble(drift_ppm=80.0, wander_ppm=20.0), 3_000, seed)
    found = paired(run)
    assert wrong(found, run.true_rise_ns) == 0
    assert found.paired == 3_000


def test_a_starved_sender_on_a_busy_computer_is_no_reason_to_refuse() -> None:
    """Seven in ten intervals are the shortest; stimuli and edges agree to 32 ns, none is lost."""
    run = make(ARRIVALS["starved"], Trouble(jitter_ns=32), 8_000, 1)
    shortest = np.count_nonzero(np.diff(run.stimulus_ns) == np.diff(run.stimulus_ns).min())
    assert shortest > 5_000
    alignment = align(run.stimulus_ns, run.edge_ns)
    assert alignment.aligned == 8_000
    assert alignment.margin > 1_000
    assert (alignment.edge_index == np.arange(8_000)).all()


def test_a_few_odd_intervals_in_an_even_train_decide() -> None:
    """Evenly spread patterns say nothing here."""
    rng = np.random.default_rng(2)
    gaps = np.full(3_000, 5.0 * MS)
    gaps[rng.choice(3_000, 12, replace=False)] = rng.uniform(6, 40, 12) * MS
    stimulus = np.cumsum(gaps).astype(np.int64)
    edge = stimulus[7:] + 10**12 + rng.integers(0, 3_000, 2_993)
    alignment = align(stimulus, edge)
    assert alignment.refusal is None, alignment.reason
    assert (alignment.edge_index == np.concatenate((np.full(7, -1), np.arange(2_993)))).all()


def test_one_late_stamp_is_an_outlier_and_no_step() -> None:
    rng = np.random.default_rng(3)
    stimulus = np.cumsum(rng.exponential(5.0 * MS, 2_000)).astype(np.int64)
    edge = stimulus + 10**12 + rng.integers(0, 3_000, 2_000)
    edge[1_000] += 300_000
    alignment = align(stimulus, edge)
    assert (alignment.edge_index == np.arange(2_000)).all()
    assert alignment.clock is not None
    off = alignment.clock.to_board(stimulus) - stimulus - 10**12
    assert np.abs(off - 1_500).max() < 1_000


def test_the_clock_reads_the_same_both_ways() -> None:
    run = make(ARRIVALS["exponential"], TROUBLES["drift"], 3_000, 1)
    clock = align(run.stimulus_ns, run.edge_ns).clock
    assert clock is not None
    there = clock.to_board(run.stimulus_ns)
    assert np.abs(clock.to_source(there) - run.stimulus_ns).max() <= 1
    assert np.all(np.diff(there) > 0)


def test_answers_beyond_the_window_keep_their_time() -> None:
    """They were paired with later stimuli, without a word."""
    run = make(ARRIVALS["exponential"], TROUBLES["beyond the window"], 2_000, 7)
    found = paired(run)
    reaction = run.true_rise_ns - run.stimulus_ns
    assert reaction.max() > WINDOW_NS
    assert (found.rise_ns - found.stimulus_ns).max() == reaction.max()
    assert found.paired == 2_000


def test_a_rise_that_a_crowded_computer_stamps_late_is_no_loss_and_addition() -> None:
    """Seen with pins of an emulated controller: stamps milliseconds off, one by 56, between stimuli 250 ms apart."""
    rng = np.random.default_rng(1)
    stimulus = np.cumsum(rng.integers(190 * MS, 310 * MS, 40))
    delay = rng.exponential(1.5 * MS, 40).astype(np.int64)
    edge = stimulus + delay + 7_000 * MS
    set_ns = edge + MS
    rise = stimulus + delay + 2 * MS
    rise[20] += 56 * MS
    found = pair_by_rows((stimulus, rise, rise + 10_000), 200 * MS, align(stimulus, edge), set_ns)
    assert found is not None
    assert (found.status == Status.PAIRED).all()
    assert (found.rise_ns == rise).all()


def test_slow_answers_of_a_queue_are_not_given_up() -> None:
    """600 rises for 600 stimuli; by one clock the slow ones were ambiguous, and the median said half of the truth."""
    run = make(ARRIVALS["exponential"], TROUBLES["backlog"], 600, 8)
    found = paired(run)
    assert found.paired == 600
    assert np.median(found.reaction_ns) == np.median(run.true_rise_ns - run.stimulus_ns)


def test_rises_after_the_last_row_of_a_killed_run_are_paired() -> None:
    """None of the last 240 has a row; all but those that were not watched for a window have a rise."""
    run = make(ARRIVALS["exponential"], Trouble(rows_to_share=0.4), 400, 9)
    end = int(run.rise_ns[-8])
    rise, truth = run.rise_ns[run.rise_ns <= end], run.true_rise_ns[:395]
    cut = GridRun(run.stimulus_ns[:395], rise, run.edge_ns, run.set_ns, run.edge_of[:395], truth)
    found = paired(cut, watched_to_ns=end)
    recorded = np.where(cut.true_rise_ns <= end, cut.true_rise_ns, -1)
    assert wrong(found, recorded) == 0
    assert found.paired == np.count_nonzero(recorded >= 0)
    assert found.missed == 0
    assert found.unobserved == 395 - found.paired


def test_the_last_stimuli_of_a_stopped_run_are_unobserved() -> None:
    stimulus = np.arange(1, 40, dtype=np.int64) * 7 * MS
    rise = stimulus[:-2] + 80_000
    alone = pair(stimulus, np.delete(rise, 3), [], 20 * MS)
    found = with_unobserved(alone, 20 * MS, int(stimulus[-1]) + 800_000)
    assert found.missed == 1
    assert np.flatnonzero(found.status == Status.UNOBSERVED).tolist() == [37, 38]
    assert with_unobserved(alone, 20 * MS, None).missed == 3


def test_a_row_whose_rise_would_come_after_the_record_is_unobserved() -> None:
    run = make(ARRIVALS["exponential"], Trouble(), 300, 2)
    rise = run.rise_ns[:-1]
    cut = GridRun(run.stimulus_ns, rise, run.edge_ns, run.set_ns, run.edge_of, run.true_rise_ns)
    found = paired(cut, watched_to_ns=int(rise[-1]))
    assert found.status.tolist() == [Status.PAIRED] * 299 + [Status.UNOBSERVED]
    whole = paired(cut)
    assert whole.status[-1] == Status.MISSED
    # Though it was watched for a whole window: the row says that the answer was later still.
    slow = run.set_ns.copy()
    slow[-1] += 150 * MS
    late = GridRun(run.stimulus_ns, rise, run.edge_ns, slow, run.edge_of, run.true_rise_ns)
    found = paired(late, watched_to_ns=int(run.stimulus_ns[-1]) + 120 * MS)
    assert found.status[-1] == Status.UNOBSERVED


def test_the_answer_to_the_last_stimulus_before_a_lost_stretch_is_unobserved() -> None:
    """The source has lost 60 stimuli and the rises of 61; the board has rows of all of them."""
    run = make(ARRIVALS["exponential"], Trouble(), 500, 6)
    kept, rises = np.delete(np.arange(500), np.arange(200, 260)), np.delete(run.rise_ns, np.arange(199, 260))
    rises = np.delete(rises, 50)
    cut = GridRun(run.stimulus_ns[kept], rises, run.edge_ns, run.set_ns, run.edge_of[kept], run.true_rise_ns[kept])
    found = paired(cut)
    assert np.flatnonzero(found.status == Status.UNOBSERVED).tolist() == [199]
    assert np.flatnonzero(found.status == Status.MISSED).tolist() == [50]
    assert wrong(found, cut.true_rise_ns) == 0


def test_stray_rows_between_two_stimuli_are_no_lost_stretch() -> None:
    run = make(ARRIVALS["exponential"], Trouble(), 500, 6)
    noise = run.edge_ns[300] + 200_000 + 20_000 * np.arange(10)
    order = np.argsort(np.concatenate((run.edge_ns, noise)))
    edges = np.concatenate((run.edge_ns, noise))[order]
    output = np.concatenate((run.set_ns, noise + 30_000))[order]
    rises = np.delete(run.rise_ns, 300)
    found = paired(GridRun(run.stimulus_ns, rises, edges, output, run.edge_of, run.true_rise_ns))
    assert np.flatnonzero(found.status == Status.MISSED).tolist() == [300]


def test_a_row_without_its_rise_is_missed_and_a_rise_without_a_row_is_nobodys() -> None:
    run = make(ARRIVALS["exponential"], Trouble(), 500, 6)
    rise = np.sort(np.append(np.delete(run.rise_ns, [40, 41, 300]), run.stimulus_ns[200] + 2_500_000))
    found = paired(GridRun(run.stimulus_ns, rise, run.edge_ns, run.set_ns, run.edge_of, run.true_rise_ns))
    assert np.flatnonzero(found.status == Status.MISSED).tolist() == [40, 41, 300]
    assert found.spurious_rise_ns.tolist() == [run.stimulus_ns[200] + 2_500_000]


def test_an_answer_whose_row_was_lost_is_found_by_its_usual_reaction() -> None:
    run = make(ARRIVALS["exponential"], Trouble(), 500, 6)
    keep = np.arange(500) != 250
    edge_of = np.where(keep, np.cumsum(keep) - 1, -1)
    found = paired(
        GridRun(run.stimulus_ns, run.rise_ns, run.edge_ns[keep], run.set_ns[keep], edge_of, run.true_rise_ns)
    )
    assert found.paired == 500
    assert wrong(found, run.true_rise_ns) == 0


def test_a_stray_rise_where_an_answer_could_be_leaves_the_stimulus_open() -> None:
    """No row tells of it; the rise between its neighbours' answers is slower than usual: its own, or a stray."""
    run = make(ARRIVALS["exponential"], Trouble(), 500, 6)
    gap = np.diff(run.stimulus_ns)
    unseen = int(np.flatnonzero(gap > 12 * MS)[5])
    keep = np.arange(500) != unseen
    stray = run.stimulus_ns[unseen] + 6 * MS
    rise = np.sort(np.append(run.rise_ns[keep], stray))
    rows = GridRun(run.stimulus_ns, rise, run.edge_ns[keep], run.set_ns[keep], run.edge_of, run.true_rise_ns)
    found = paired(rows)
    assert np.flatnonzero(found.status == Status.AMBIGUOUS).tolist() == [unseen]
    assert found.ambiguous_rise_ns.tolist() == [stray]
    # Nor is it an answer that comes after the next stimulus was answered.
    later = np.sort(np.append(run.rise_ns[keep], run.true_rise_ns[unseen + 1] + 500_000))
    found = paired(GridRun(run.stimulus_ns, later, rows.edge_ns, rows.set_ns, run.edge_of, run.true_rise_ns))
    assert (found.status[unseen], found.spurious) == (Status.MISSED, 1)


def test_rows_without_an_output_say_nothing_about_the_answer() -> None:
    """As where an agent only watched, and a tap missed the rise."""
    run = make(ARRIVALS["exponential"], Trouble(), 400, 6)
    output = run.set_ns.copy()
    output[[10, 200]] = NO_STAMP
    edges = (run.stimulus_ns, run.rise_ns, run.rise_ns + 9_000)
    found = pair_by_rows(edges, WINDOW_NS, align(run.stimulus_ns, run.edge_ns), output)
    assert found is not None
    assert found.paired == 400


def test_rows_of_another_run_foretell_nothing() -> None:
    rng = np.random.default_rng(5)
    one, other = (np.sort(rng.integers(0, 10**11, 500)) for _ in range(2))
    assert usual_delay(one, other) is None
    assert usual_delay(one, one + 1_700) == (1_700, 1.0)


def exact(density: Floats, gap: float, stray: float) -> dict[int, int]:
    """The best assignment of rows to columns by scipy's solver, gaps and strays as extra columns and rows."""
    rows, columns = density.shape
    cost = np.zeros((rows + columns, rows + columns))
    cost[:rows, :columns], cost[:rows, columns:], cost[rows:, :columns] = -density, -gap, -stray
    first, second = linear_sum_assignment(cost)
    return {int(i): int(j) for i, j in zip(first, second, strict=True) if i < rows and j < columns}


def in_order(density: Floats, gap: float, stray: float) -> dict[int, int]:
    """The best of all assignments that keep the order, each one looked at."""
    rows, columns = density.shape
    best, found = -np.inf, {}
    for size in range(min(rows, columns) + 1):
        for chosen in itertools.combinations(range(rows), size):
            for taken in itertools.combinations(range(columns), size):
                total = sum(density[i, j] for i, j in zip(chosen, taken, strict=True))
                total += gap * (rows - size) + stray * (columns - size)
                if total > best:
                    best, found = total, dict(zip(chosen, taken, strict=True))
    return found


def model(sigma_ns: float, shares: Shares, reach: Reach) -> Likelihood:
    """Residuals that are Laplace far out, and stimuli 5 ms apart."""
    scale = sigma_ns / 1.5
    return Likelihood(Ordinary(sigma_ns, 0.0, 0.0, scale, scale), shares, 5.0 * MS, reach)


@settings(max_examples=150, derandomize=True)
@given(
    seed=st.integers(0, 10**6),
    rows=st.integers(1, 6),
    lost=st.integers(0, 2),
    added=st.integers(0, 2),
    held_up=st.floats(0, 0.3),
    span_ns=st.sampled_from([4_000, 40_000, 400_000]),
)
def test_small_stretches_equal_an_exact_assignment(
    seed: int, rows: int, lost: int, added: int, held_up: float, span_ns: int
) -> None:
    """Stamps close together, some held up, lost or added: every pair that is taken is one of scipy's solver."""
    rng = np.random.default_rng(seed)
    target = np.sort(rng.integers(0, span_ns, rows))
    held = np.where(rng.random(rows) < held_up, rng.integers(0, span_ns, rows), rng.integers(0, 300, rows))
    kept = np.sort(rng.choice(rows, max(0, rows - lost), replace=False))
    times = np.sort(np.concatenate((np.maximum.accumulate(target + held)[kept], rng.integers(0, span_ns, added))))
    if not times.size:
        return
    likely = model(100.0, Shares(held_up=0.01, lost=0.01, added=0.005), Reach(1_000, 5 * MS))
    density = likely.pair((times[None, :] - target[:, None]).astype(np.float64))
    gap, closed = float(np.log(likely.shares.lost)), np.array([False])
    sizes = (np.array([rows]), np.array([times.size]))
    settled = settle(
        (density[None], density[None]), np.full((1, rows), gap), likely.stray, sizes, (closed, closed), DOUBT
    )
    wanted = in_order(density, gap, likely.stray)
    # Held-up stamps have no scale, so that the solver now and then lets one overtake another; a board does not.
    solved = exact(np.maximum(density, -1e6), gap, likely.stray)
    if not any(a > b for a, b in itertools.pairwise(solved[i] for i in sorted(solved))):
        total = [
            sum(density[i, j] for i, j in one.items())
            + gap * (rows - len(one))
            + likely.stray * (times.size - len(one))
            for one in (wanted, solved)
        ]
        assert total[0] == pytest.approx(total[1], abs=1e-6)
    for row, place in enumerate(settled.partner[0].tolist()):
        if place >= 0:
            assert wanted.get(row) == place
        elif place == MISSED_INDEX:
            assert row not in wanted


def test_stamps_that_stand_alone_equal_an_exact_assignment() -> None:
    """A whole train of 40 with jitter, one lost and one added, by scipy's solver."""
    for seed in range(5):
        rng = np.random.default_rng(seed)
        target = np.cumsum(rng.exponential(5.0 * MS, 40)).astype(np.int64)
        times = np.sort(np.append(np.delete(target, 20) + rng.integers(0, 3_000, 39), target[30] + 2 * MS))
        found = match(target, times, 1_500.0, Reach(1_000, 500_000))
        likely = model(found.sigma_ns, Shares(held_up=0.01, lost=0.02, added=0.02), Reach(1_000, 500_000))
        density = np.maximum(likely.pair((times[None, :] - target[:, None]).astype(np.float64)), -1e6)
        solved = exact(density, float(np.log(0.02)), likely.stray)
        assert found.partner.tolist() == [solved.get(row, -1) for row in range(40)]


def test_a_short_run_of_milliseconds_of_jitter_misses_nothing() -> None:
    """Stamps of a crowded computer, 10 a second: a line through the few that agree by chance called 19 of 50 missed."""
    rng = np.random.default_rng(35)
    stimulus = np.cumsum(rng.uniform(80 * MS, 120 * MS, 50)).astype(np.int64)
    seen = stimulus + rng.exponential(1.5 * MS, 50).astype(np.int64)
    output = seen + 60_000 + rng.integers(0, 9_000, 50)
    rise = output + rng.exponential(1.5 * MS, 50).astype(np.int64)
    alignment = align(stimulus, seen + 7_000 * MS)
    found = pair_by_rows((stimulus, rise, rise + 10_000), 200 * MS, alignment, output + 7_000 * MS)
    assert found is not None
    assert found.paired == 50
    assert (found.rise_ns == rise).all()


def test_losses_alone_leave_nearly_nothing_open_however_the_stamps_scatter() -> None:
    """The same, and of the rises 4 in 100 are lost: none was added, so that one far out is no other's."""
    left = answered = 0
    for seed in range(12):
        rng = np.random.default_rng(seed)
        stimulus = np.cumsum(rng.uniform(80 * MS, 120 * MS, 50)).astype(np.int64)
        seen = stimulus + rng.exponential(1.5 * MS, 50).astype(np.int64)
        output = seen + 60_000
        own = np.where(rng.random(50) >= 0.04, output + rng.exponential(1.5 * MS, 50).astype(np.int64), -1)
        rise = own[own >= 0]
        alignment = align(stimulus, seen + 7_000 * MS)
        found = pair_by_rows((stimulus, rise, rise + 10_000), 200 * MS, alignment, output + 7_000 * MS)
        assert found is not None
        assert wrong(found, own) == 0
        left, answered = left + left_out(found, own), answered + rise.size
    assert left <= 0.02 * answered


def test_the_last_few_answers_of_a_killed_run_are_found_by_their_usual_reaction() -> None:
    """Six stimuli without a row, and six rises: each is as quick as those before."""
    run = make(ARRIVALS["exponential"], TROUBLES["killed"], 100, 1)
    rows = np.arange(run.stimulus_ns.size)[run.edge_of >= 0]
    assert rows.size == run.stimulus_ns.size - 6
    found = paired(run, watched_to_ns=run.watched_to_ns)
    assert wrong(found, run.true_rise_ns) == 0
    assert found.paired == run.stimulus_ns.size


def hurried(apart_ns: int, lose: bool = False) -> tuple[Pairing, Int64s]:
    """Usually 8 us, give or take, from the row to the rise; after a stall, within 0.2 us, 2 us.

    Of those that come after the stall one rise may be lost, and a stray one added among them: nothing else is.
    """
    rng = np.random.default_rng(2)
    stimulus = np.cumsum(rng.exponential(5.0 * MS, 1_000) + 70_000).astype(np.int64)
    stimulus[500:520] = stimulus[500] + 70_000 * np.arange(20)
    stimulus[520:] += 5 * MS
    output = stimulus + 50_000 + rng.integers(0, 8_000, 1_000)
    output[500:520] = output[500] + 3 * MS + apart_ns * np.arange(20)
    rise = output - 8_000 + rng.normal(0, 4_000, 1_000).astype(np.int64)
    rise[500:520] = output[500:520] - 1_800 + rng.integers(-200, 200, 20)
    own = rise.copy()
    if lose:
        own[505] = -1
        rise = np.sort(np.append(np.delete(rise, 505), rise[512] + apart_ns // 3))
    alignment = align(stimulus, stimulus + rng.integers(0, 60, 1_000) + 7_000 * MS)
    found = pair_by_rows((stimulus, rise, rise + 1_000), WINDOW_NS, alignment, output + 7_000 * MS)
    assert found is not None
    return found, own


def test_what_hurries_after_a_stall_is_off_by_something_else_and_decided() -> None:
    """As recorded on a virtual board: rises 6 us apart, which fit the rows before as well as their own."""
    found, own = hurried(6_000)
    assert found.paired == 1_000
    assert wrong(found, own) == 0


def test_of_what_hurries_one_lost_and_one_added_are_seen_where_they_are_further_apart() -> None:
    found, own = hurried(70_000, lose=True)
    assert wrong(found, own) == 0
    assert found.paired == 999
    assert found.status[505] == Status.MISSED


def test_what_was_held_up_together_is_off_by_no_common_time() -> None:
    """Three stamps at once, 3 ms late: the last waited less than the first."""
    rng = np.random.default_rng(3)
    target = np.cumsum(rng.exponential(5.0 * MS, 1_000) + 10 * MS).astype(np.int64)
    target[500:503] = target[500] + 100_000 * np.arange(3)
    times = target + rng.integers(-3_000, 3_000, 1_000)
    times[500:503] = target[500] + 3 * MS + 1_000 * np.arange(3)
    assert match(target, times, 2_000.0, Reach(24_000, 50 * MS)).partner.tolist() == list(range(1_000))


def test_stamps_that_waited_behind_one_that_was_held_up_follow_at_once() -> None:
    """Ten stimuli in 2 ms, the stamps of them all held up by 3 ms: five of 60 were left open."""
    run = make(ARRIVALS["bursts of ten"], TROUBLES["late stamps"], 60, 1)
    found = paired(run)
    assert wrong(found, run.true_rise_ns) == 0
    assert found.paired == 60


def test_a_stamp_with_another_about_as_near_is_not_settled_at_once() -> None:
    """Held up, lost and added ones among stimuli close together: the nearest is once another's."""
    run = make(ARRIVALS["clumped"], Trouble(held_up=0.01, lost=0.02, added=0.005), 4_000, 3)
    found = paired(run)
    assert wrong(found, run.true_rise_ns) == 0
    assert left_out(found, run.true_rise_ns) <= 40


def test_beside_a_contested_row_no_rise_is_given_by_counting() -> None:
    """At the service rate: the stimulus before may have the row of a stray edge; its answer was given to the next."""
    run = make(ARRIVALS["uniform 50 %"], TROUBLES["near the service rate"], 10_000, 0)
    found = paired(run)
    assert wrong(found, run.true_rise_ns) == 0
    assert left_out(found, run.true_rise_ns) <= 3
