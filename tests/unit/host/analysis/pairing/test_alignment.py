"""Aligning two clocks: known truth, refusals, sums."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from edgereply.analysis.pairing.alignment import Alignment, AlignStatus, align
from edgereply.analysis.pairing.clock import first_from, nearest
from tests.unit.host.analysis.pairing.two_clocks import Stamps, TwoClocks, stamp


def wrong(result: Alignment, truth: Stamps) -> int:
    """Joined stimuli whose edge is not the true one."""
    joined = result.status == AlignStatus.ALIGNED
    return int(np.count_nonzero(result.edge_index[joined] != truth.true_index[joined]))


def attempt(case: TwoClocks, seed: int) -> tuple[Alignment, Stamps]:
    """Stamp and join."""
    truth = stamp(case, seed)
    return align(truth.stimulus_ns, truth.edge_ns), truth


@pytest.mark.parametrize("drift_ppm", [-150.0, 150.0])
def test_ten_minutes_of_drift(drift_ppm: float) -> None:
    result, truth = attempt(TwoClocks(pulses=120_000, drift_ppm=drift_ppm), 1)
    assert result.reason == ""
    assert wrong(result, truth) == 0
    assert result.aligned >= 0.985 * truth.stimulus_ns.size
    assert result.drift_ppm == pytest.approx(drift_ppm, abs=0.01)
    assert result.offset_ns == pytest.approx(TwoClocks().offset_ns, abs=800_000)
    assert result.residual_ns is not None
    assert 500 < result.residual_ns < 4_000
    unseen = result.status == AlignStatus.UNSEEN
    assert np.count_nonzero(truth.true_index[unseen] >= 0) <= 1e-3 * truth.stimulus_ns.size


@pytest.mark.parametrize(
    ("case", "share"),
    [
        (TwoClocks(bend_ppm=40, pulses=20_000), 0.98),
        (TwoClocks(miss_edge=0.1, miss_stimulus=0.1, extra_edge=0.1), 0.85),
        (TwoClocks(jitter_ns=50_000), 0.97),
        (TwoClocks(quantum_ns=100_000.0), 0.97),
        (TwoClocks(arrivals="jittered"), 0.97),
        (TwoClocks(interval_ns=200_000), 0.97),
        (TwoClocks(offset_ns=-(10**15), drift_ppm=200), 0.98),
    ],
)
def test_harder_clocks(case: TwoClocks, share: float) -> None:
    for seed in range(3):
        result, truth = attempt(case, seed)
        assert result.reason == ""
        assert wrong(result, truth) <= 1e-3 * truth.stimulus_ns.size
        assert result.aligned >= share * truth.stimulus_ns.size


def test_stamps_in_modes_are_no_strays() -> None:
    """Delays as a kernel on an emulated board makes them: most to 20 ns, the rest 0.5 us early or up to 8 us late."""
    random = np.random.default_rng(5)
    stimulus = np.cumsum(random.exponential(9e6, 400).astype(np.int64) + 1_000_000)
    modes = random.choice([0, -560, 2_560, 5_350, 8_060], 400, p=[0.55, 0.05, 0.3, 0.06, 0.04])
    result = align(stimulus, stimulus + 10**12 + modes + random.integers(-20, 21, 400))
    assert (result.aligned, result.unseen, result.extra) == (400, 0, 0)
    assert (result.edge_index == np.arange(400)).all()


@pytest.mark.parametrize("astray", [0.01, 0.05, 0.2])
@pytest.mark.parametrize("off_ns", [-4_000, -430, 2_550, 8_000])
def test_a_near_stamp_is_no_stray_however_quiet_the_others(astray: float, off_ns: int) -> None:
    """As seen on an emulated board: nine in ten to 20 ns, the rest a little early or late."""
    random = np.random.default_rng(6)
    stimulus = np.cumsum(random.exponential(9e6, 400).astype(np.int64) + 1_000_000)
    delay = np.where(random.random(400) < astray, off_ns, random.integers(-20, 21, 400))
    result = align(stimulus, stimulus + 10**12 + delay)
    assert (result.aligned, result.unseen, result.extra) == (400, 0, 0)
    assert (result.edge_index == np.arange(400)).all()


def test_late_stamps_are_joined_when_nothing_else_is_astray() -> None:
    clean = TwoClocks(miss_edge=0, miss_stimulus=0, extra_edge=0, outlier=0.01)
    result, truth = attempt(clean, 2)
    assert result.aligned == truth.stimulus_ns.size
    assert wrong(result, truth) == 0


@settings(max_examples=60, derandomize=True)
@given(
    seed=st.integers(0, 10**6),
    pulses=st.integers(6, 300),
    jitter_ns=st.integers(2, 40_000),
    drift_ppm=st.floats(-200, 200),
    loss=st.floats(0, 0.1),
)
def test_periodic_arrivals_are_refused(seed: int, pulses: int, jitter_ns: int, drift_ppm: float, loss: float) -> None:
    case = TwoClocks(
        pulses=pulses, arrivals="periodic", jitter_ns=jitter_ns, drift_ppm=drift_ppm, miss_edge=loss, outlier=0
    )
    truth = stamp(replace(case, miss_stimulus=loss), seed)
    result = align(truth.stimulus_ns, truth.edge_ns)
    assert result.reason != "" or wrong(result, truth) == 0
    if result.reason:
        assert np.all(result.status == AlignStatus.AMBIGUOUS)
        assert np.all(result.edge_index == -1)
        assert result.ambiguous_edges == truth.edge_ns.size


def test_a_long_periodic_run_is_refused_with_advice() -> None:
    result, _ = attempt(TwoClocks(arrivals="periodic"), 1)
    assert "random" in result.reason
    assert result.offset_ns is None


@settings(max_examples=60, derandomize=True)
@given(seed=st.integers(0, 10**6), pulses=st.integers(5, 120), drift_ppm=st.floats(-200, 200))
def test_short_runs_are_joined_rightly_or_refused(seed: int, pulses: int, drift_ppm: float) -> None:
    result, truth = attempt(TwoClocks(pulses=pulses, drift_ppm=drift_ppm, outlier=0), seed)
    assert wrong(result, truth) == 0


def test_ten_pulses_are_enough() -> None:
    result, truth = attempt(TwoClocks(pulses=10, miss_edge=0, miss_stimulus=0, extra_edge=0), 5)
    assert result.edge_index.tolist() == list(range(10))
    assert wrong(result, truth) == 0


def test_a_merged_edge_is_one_unseen_stimulus() -> None:
    truth = stamp(TwoClocks(pulses=200, miss_edge=0, miss_stimulus=0, extra_edge=0, outlier=0), 3)
    stimulus = np.sort(np.append(truth.stimulus_ns, truth.stimulus_ns[100] + 200_000))
    result = align(stimulus, truth.edge_ns)
    assert result.aligned == 200
    assert np.flatnonzero(result.status == AlignStatus.UNSEEN).tolist() == [101]


@pytest.mark.parametrize("apart_ns", [0, 500, -500])
def test_of_two_edges_at_one_instant_the_first_is_the_stimulus_and_the_other_added(apart_ns: int) -> None:
    truth = stamp(TwoClocks(pulses=200, miss_edge=0, miss_stimulus=0, extra_edge=0, outlier=0), 3)
    result = align(truth.stimulus_ns, np.sort(np.append(truth.edge_ns, truth.edge_ns[100] + apart_ns)))
    assert result.aligned == 200
    assert result.edge_index.tolist() == [*range(101), *range(102, 201)]
    assert result.extra_index.tolist() == [101]


def test_two_edges_apart_and_as_near_as_each_other_are_ambiguous() -> None:
    truth = stamp(TwoClocks(pulses=200, miss_edge=0, miss_stimulus=0, extra_edge=0, outlier=0), 3)
    clock = align(truth.stimulus_ns, truth.edge_ns).clock
    assert clock is not None
    there = int(clock.to_board(truth.stimulus_ns[100:101])[0])
    off = round(3 * clock.sigma_ns)
    edge = np.sort(np.append(np.delete(truth.edge_ns, 100), [there - off, there + off]))
    result = align(truth.stimulus_ns, edge)
    assert np.flatnonzero(result.status == AlignStatus.AMBIGUOUS).tolist() == [100]
    assert (result.aligned, result.extra) == (199, 1)


def test_order_and_indices_are_the_callers() -> None:
    truth = stamp(TwoClocks(pulses=300), 6)
    rng = np.random.default_rng(1)
    of_stimuli, of_edges = rng.permutation(truth.stimulus_ns.size), rng.permutation(truth.edge_ns.size)
    plain = align(truth.stimulus_ns, truth.edge_ns)
    mixed = align(truth.stimulus_ns[of_stimuli], truth.edge_ns[of_edges])
    assert np.array_equal(mixed.status, plain.status[of_stimuli])
    joined = mixed.status == AlignStatus.ALIGNED
    assert np.array_equal(of_edges[mixed.edge_index[joined]], plain.edge_index[of_stimuli][joined])
    assert np.array_equal(np.sort(of_edges[mixed.extra_index]), plain.extra_index)


def test_nothing_to_join() -> None:
    assert align([], []).aligned == 0
    assert align([], [1, 2]).extra_index.tolist() == [0, 1]
    assert align([1, 2], []).unseen == 2
    few = align([1, 2, 3], [1, 2, 3])
    assert few.ambiguous == 3
    assert "too few" in few.reason


def test_unrelated_trains_are_refused() -> None:
    rng = np.random.default_rng(9)
    first, second = (np.cumsum(rng.exponential(5e6, 500)).astype(np.int64) for _ in range(2))
    # Their arrivals are random: more of that would not help.
    reason = align(first, second).reason
    assert "the same run" in reason
    assert "random" not in reason


def test_bad_input_is_refused() -> None:
    with pytest.raises(ValueError, match="edge_ns must be whole nanoseconds"):
        align([1], [1.5])
    with pytest.raises(ValueError, match="stimulus_ns must have one dimension"):
        align([[1]], [1])


TRAIN = st.lists(st.integers(0, 2_000), max_size=40)


@settings(max_examples=300)
@given(TRAIN, TRAIN)
def test_whatever_comes_the_sums_hold(stimuli: list[int], edges: list[int]) -> None:
    result = align(stimuli, edges)
    assert result.aligned + result.unseen + result.ambiguous == len(stimuli)
    assert result.aligned + result.extra + result.ambiguous_edges == len(edges)
    assert result.ambiguous_edges >= 0
    used = result.edge_index[result.status == AlignStatus.ALIGNED]
    assert np.all(used >= 0)
    assert np.unique(used).size == used.size
    assert np.intersect1d(used, result.extra_index).size == 0


def test_the_second_nearest_edge_may_be_on_the_same_side() -> None:
    index, gap, second = nearest(np.array([100, 492]), np.array([90, 95, 500, 503]))
    assert (index.tolist(), gap.tolist(), second.tolist()) == ([1, 2], [-5, 8], [10, 11])


def test_nearest_edges_by_looking_at_every_edge() -> None:
    rng = np.random.default_rng(2)
    edge, target = np.sort(rng.integers(0, 5_000, 60)), np.sort(rng.integers(-200, 5_200, 400))
    index, first, second = nearest(target, edge)
    distance = np.abs(edge[None, :] - target[:, None])
    assert np.abs(first).tolist() == distance.min(axis=1).tolist()
    assert first.tolist() == (edge[index] - target).tolist()
    assert second.tolist() == np.sort(distance, axis=1)[:, 1].tolist()
    alone, gap, none = nearest(target, edge[:1])
    assert alone.tolist() == [0] * 400
    assert gap.tolist() == (edge[0] - target).tolist()
    assert none.min() > 10**18


@settings(max_examples=50, derandomize=True)
@given(seed=st.integers(0, 10**6), lost=st.floats(0, 0.9), spread=st.integers(1, 5_000))
def test_trains_side_by_side_are_searched_as_any_others(seed: int, lost: float, spread: int) -> None:
    rng = np.random.default_rng(seed)
    times = np.cumsum(rng.integers(0, spread, 300))
    wanted = np.sort(times[rng.random(300) >= lost] + rng.integers(-20, 20, 1))
    assert first_from(times, wanted).tolist() == np.searchsorted(times, wanted).tolist()


def test_a_stamp_a_little_early_among_very_even_ones_is_no_loss_and_addition() -> None:
    """Seen on an emulated board: nineteen of twenty within 36 ns, one 274 ns early, intervals of 16 ms."""
    stimulus = np.cumsum(np.random.default_rng(4).exponential(16e6, 20) + 3e6).astype(np.int64)
    off = np.zeros(20, np.int64)
    off[[3, 5, 9, 10, 17, 18, 19]] = -36
    off[1], off[6] = 2_550, -274
    found = align(stimulus, stimulus + off + 5_000_000_000)
    assert found.edge_index.tolist() == list(range(20))
    assert found.extra_index.size == 0
