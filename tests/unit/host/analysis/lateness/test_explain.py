import numpy as np
import pytest
from numpy.typing import NDArray

from edgereply.analysis.lateness.explain import explain, late_limit
from edgereply.analysis.lateness.known_causes import SUSPECTS, name_suspects
from edgereply.analysis.lateness.period_search import search_periods
from edgereply.evaluation.phase_lock import lock_sentence
from tests.benchmarks.false_alarms import alarms

Run = tuple[NDArray[np.int64], NDArray[np.int64]]
TIMER = "timer 0 overflow of a 16 MHz microcontroller"


def disturbed(seed: int, period_ns: float, duty: float, stimuli: int = 20_000, mean_ns: float = 700_000) -> Run:
    """Answers of a steady board, delayed by up to the rest of a blocked window, plus its overhead."""
    rng = np.random.default_rng(seed)
    stimulus = np.cumsum(300_000 + rng.exponential(mean_ns - 300_000, stimuli)).astype(np.int64)
    phase = np.mod(stimulus / period_ns - 0.37, 1.0)
    reaction = 8_000 + rng.gamma(2, 300, stimuli)
    late = phase < duty
    reaction[late] += 20_000 + (duty - phase[late]) * period_ns
    return stimulus, reaction.astype(np.int64)


@pytest.mark.parametrize("seed", range(4))
def test_a_timer_tick_that_delays_six_answers_in_a_thousand(seed: int) -> None:
    found = explain(*disturbed(seed, 1_024_000, 0.006))
    assert found.outcome == "cause found"
    (only,) = found.periods
    # 16384 cycles of 62.5 ns (ATmega328P data sheet).
    assert only.finding.period_ns == pytest.approx(1_024_000, rel=50e-6)
    assert abs(only.finding.period_ns - 1_024_000) < 5 * only.finding.error_ns
    assert [s.name for s in only.suspects] == [TIMER]
    assert only.finding.window.duty == pytest.approx(0.006, rel=0.15)
    assert only.finding.false_alarm < 1e-12
    assert only.delay_ns is not None
    assert only.delay_ns > 15_000
    assert found.bursts == ()
    assert found.locks == ()


@pytest.mark.parametrize("period_ns", [20_000.0, 333_000.0, 1e6, 1e9 / 300, 4e6, 1e7, 77_000_000.0])
def test_periods_from_microseconds_to_a_tenth_of_a_second(period_ns: float) -> None:
    found = explain(*disturbed(11, period_ns, 0.01))
    (only,) = found.periods
    assert only.finding.period_ns == pytest.approx(period_ns, rel=50e-6)
    named = [s.period_ns for s in only.suspects]
    assert named == [s.period_ns for s in SUSPECTS if s.period_ns == pytest.approx(period_ns, rel=1e-9)]


def test_real_time_throttling() -> None:
    # sched_rt_runtime_us 950000 of 1000000 (Linux, sched-rt-group): 50 ms once a second.
    stimulus, reaction = disturbed(5, 1e9, 0.05, stimuli=30_000)
    found = explain(stimulus, reaction)
    (only,) = found.periods
    assert only.finding.period_ns == pytest.approx(1e9, rel=1e-3)
    assert [s.name for s in only.suspects] == ["real-time throttling once a second"]
    assert only.finding.window.width_ns == pytest.approx(50e6, rel=0.1)
    assert found.bursts == ()


def test_two_causes_are_both_found() -> None:
    stimulus, reaction = disturbed(6, 1_024_000, 0.01)
    other = np.mod(stimulus / 4e6, 1.0) < 0.01
    reaction[other] += 50_000
    names = {s.name for p in explain(stimulus, reaction).periods for s in p.suspects}
    assert names == {TIMER, "kernel tick at 250 Hz"}


def test_a_period_that_nobody_is_known_for_is_not_named() -> None:
    (only,) = explain(*disturbed(7, 1_030_000, 0.01)).periods
    assert only.suspects == ()


def test_nothing_interferes() -> None:
    # At most 1 % of runs; the full 1,000 seeds are tests/benchmarks/false_alarms.py.
    assert len(alarms(range(2000, 2100), 2000)) <= 1


def test_missed_stimuli_count_as_late() -> None:
    stimulus, reaction = disturbed(8, 1_024_000, 0.01)
    answered = np.mod(stimulus / 1_024_000 - 0.37, 1.0) >= 0.01
    found = explain(stimulus, np.where(answered, reaction, -1), answered)
    assert found.periods[0].finding.period_ns == pytest.approx(1_024_000, rel=50e-6)
    assert found.periods[0].delay_ns is None


def test_a_single_burst_is_no_period() -> None:
    stimulus, reaction = disturbed(9, 1e6, 0.0)
    reaction[7000:7040] += 10**6
    found = explain(stimulus, reaction)
    assert found.periods == ()
    (burst,) = found.bursts
    assert (burst.first, burst.last, burst.late) == (7000, 7039, 40)
    assert burst.start_ns == stimulus[7000]
    assert found.outcome == "cause found"


def test_too_few_late_answers() -> None:
    stimulus, reaction = disturbed(10, 1e6, 0.0, stimuli=2000)
    reaction[[100, 900, 1500]] += 10**6
    found = explain(stimulus, reaction, late_above_ns=500_000)
    assert (found.outcome, found.late) == ("not enough data", 3)
    assert found.more_stimuli == pytest.approx(2000 * 13 / 3, abs=1)
    none = explain(stimulus, reaction, late_above_ns=10**9)
    assert (none.outcome, none.late, none.more_stimuli) == ("not enough data", 0, None)


def test_periodic_stimuli_are_told_to_dither_and_name_nobody() -> None:
    rng = np.random.default_rng(12)
    stimulus = np.arange(20_000) * 1_000_100
    reaction = (8_000 + rng.gamma(2, 300, 20_000)).astype(np.int64)
    reaction[np.mod(stimulus / 1e6, 1.0) < 0.02] += 20_000
    found = explain(stimulus, reaction)
    assert found.aliased
    assert all(p.suspects == () for p in found.periods)
    assert found.locks[0].suspect is None
    assert "Let the intervals vary by as much as they last, 1.00 ms." in lock_sentence(found.locks[0])


def test_segments_are_blamed() -> None:
    stimulus, reaction = disturbed(13, 1_024_000, 0.01)
    wake = reaction - 5_000
    found = explain(stimulus, reaction, segments_ns={"wake delay": wake, "set time": np.full_like(wake, 5_000)})
    assert found.segments is not None
    assert found.segments.main == "wake delay"
    assert explain(stimulus, reaction).segments is None


def test_late_limit_is_tukeys_fence_or_the_slowest_hundredth() -> None:
    values = np.concatenate([np.tile(np.arange(100, 200), 10), np.full(20, 5000)])
    lower, upper = np.quantile(values, [0.25, 0.75], method="inverted_cdf")
    assert late_limit(values) == upper + 3 * (upper - lower)
    assert late_limit(np.arange(1000)) == 989
    assert late_limit(np.empty(0, dtype=np.int64)) == 0


def test_suspects_match_within_the_error_only() -> None:
    assert [s.name for s in name_suspects(1_024_050, 1.0, 100)] == [TIMER]
    assert name_suspects(1_024_150, 1.0, 100) == ()
    assert [s.name for s in name_suspects(1_024_150, 100.0, 100)] == [TIMER]
    assert name_suspects(1_010_000, 10_000.0, 100) == ()


def test_the_search_says_what_it_looked_for() -> None:
    stimulus, reaction = disturbed(14, 1e6, 0.01)
    found = search_periods(stimulus, reaction > 15_000)
    assert found.shortest_ns == pytest.approx(5_000, rel=0.01)
    assert found.longest_ns == pytest.approx((stimulus[-1] - stimulus[0]) / 8, rel=0.01)
    assert found.unexplained.sum() <= 2


def test_impossible_requests_are_refused() -> None:
    with pytest.raises(ValueError, match="2 and 3 for 3"):
        explain(np.arange(3), np.arange(2), np.ones(3, dtype=np.bool_))
    with pytest.raises(ValueError, match="2 for 3"):
        search_periods(np.arange(3), np.ones(2, dtype=np.bool_))
    with pytest.raises(ValueError, match="microsecond"):
        search_periods(np.arange(3), np.ones(3, dtype=np.bool_), 10)


def test_the_suspects_periods() -> None:
    # ATmega328P data sheet: 64 * 256 / 16 MHz; Linux CONFIG_HZ 1000, 300, 250, 100; sched_rt_period_us 1000000.
    assert [s.period_ns for s in SUSPECTS] == pytest.approx([1_024_000, 1e6, 3_333_333.333, 4e6, 1e7, 1e9])


def ticking(seed: int, slow_start: int = 0) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    rng = np.random.default_rng(seed)
    stimulus = np.cumsum(500_000 + rng.exponential(700_000, 20_000)).astype(np.int64)
    reaction = (8_000 + rng.gamma(2, 300, 20_000)).astype(np.int64)
    reaction[:slow_start] += 30_000
    return stimulus, reaction


@pytest.mark.parametrize(("often", "seldom"), [(0.02, 0.02), (0.01, 0.005), (0.05, 0.003)])
def test_two_ticks_of_which_one_is_a_multiple_of_the_other_are_both_found(often: float, seldom: float) -> None:
    stimulus, reaction = ticking(1)
    reaction[np.mod(stimulus / 1e6, 1.0) < often] += 20_000
    reaction[np.mod(stimulus / 1e7 + 0.043, 1.0) < seldom] += 40_000
    found = explain(stimulus, reaction)
    names = sorted(suspect.name for period in found.periods for suspect in period.suspects)
    assert names == ["kernel tick at 100 Hz", "kernel tick at 1000 Hz"]


@pytest.mark.parametrize("width", [0.003, 0.02, 0.1])
def test_one_tick_is_not_found_twice(width: float) -> None:
    for period_ns, name in ((1e6, "kernel tick at 1000 Hz"), (1e7, "kernel tick at 100 Hz")):
        stimulus, reaction = ticking(2)
        reaction[np.mod(stimulus / period_ns, 1.0) < width] += 20_000
        found = explain(stimulus, reaction)
        assert [[suspect.name for suspect in period.suspects] for period in found.periods] == [[name]]


def test_a_slow_start_is_one_finding_and_not_bursts() -> None:
    stimulus, reaction = ticking(3, slow_start=300)
    found = explain(stimulus, reaction)
    assert found.slow_start is not None
    assert (found.slow_start.stimuli, found.slow_start.late) == (300, 300)
    assert found.slow_start.shift_ns == pytest.approx(30_000, rel=0.01)
    assert (found.outcome, found.periods, found.bursts) == ("cause found", (), ())
    # Slow now and then, at the start only: five bursts before it was looked at as a whole.
    stimulus, reaction = ticking(4)
    reaction[:300][np.random.default_rng(1).random(300) < 0.5] += 30_000
    found = explain(stimulus, reaction)
    assert found.slow_start is not None
    assert found.bursts == ()
    assert found.unexplained < 0.01 * found.late + 60


def test_a_burst_in_the_middle_and_a_tick_are_no_slow_start() -> None:
    stimulus, reaction = ticking(5)
    reaction[9_000:9_300] += 30_000
    reaction[np.mod(stimulus / 1e6, 1.0) < 0.02] += 20_000
    assert explain(stimulus, reaction).slow_start is None
    stimulus, reaction = ticking(5, slow_start=300)
    reaction[np.mod(stimulus / 1e6, 1.0) < 0.02] += 20_000
    found = explain(stimulus, reaction)
    assert found.slow_start is not None
    assert [period.suspects[0].name for period in found.periods] == ["kernel tick at 1000 Hz"]
