import numpy as np
import pytest
from scipy import stats

from edgereply.analysis.statistics.intervals import clopper_pearson
from edgereply.analysis.statistics.verdict import Verdict, judge

DEADLINE_NS = 2_000_000


def run(stimuli: int, late: int, target: float | None = None, confidence: float = 0.95) -> Verdict:
    """Late answers scattered without pattern."""
    reaction = np.full(stimuli, 60_000)
    reaction[np.random.default_rng(1).permutation(stimuli)[:late]] = DEADLINE_NS + 1
    return judge(reaction, np.ones(stimuli, dtype=np.bool_), DEADLINE_NS, confidence, target)


def test_no_late_answer_takes_wilks_many_stimuli() -> None:
    # Wilks (1941): 2995 for 99.9 % with confidence 95 %, 299 for 99 %.
    short, enough = run(2994, 0, 0.001), run(2995, 0, 0.001)
    assert (short.outcome, short.more_stimuli, short.would) == ("not enough data", 1, "pass")
    assert (enough.outcome, enough.more_stimuli, enough.would) == ("pass", None, None)
    assert run(299, 0).outcome == "pass"
    assert (run(298, 0).outcome, run(298, 0).more_stimuli) == ("not enough data", 1)


def test_the_bound_without_late_answers_is_the_exact_rule_of_three() -> None:
    # Hanley and Lippman-Hand (1983): 1 - .05 ** (1 / 1000) = .0029912.
    assert run(1000, 0, 0.001).upper_bound == pytest.approx(0.0029912, abs=5e-8)


def test_the_interval_is_clopper_and_pearsons() -> None:
    # Newcombe (1998), Table I: 15 of 148 gives .0578 to .1617 (from memory, recomputed).
    found = run(148, 15, 0.5)
    assert (round(found.interval.low, 4), round(found.interval.high, 4)) == (0.0578, 0.1617)
    assert found.interval == clopper_pearson(15, 148)


def test_pass_and_fail_with_late_answers() -> None:
    assert run(20_000, 10, 0.001).outcome == "pass"
    assert run(20_000, 40, 0.001).outcome == "fail"
    undecided = run(20_000, 15, 0.001)
    assert undecided.outcome == "not enough data"
    assert undecided.lower_bound < 0.001 < undecided.upper_bound


@pytest.mark.parametrize(("late", "would"), [(15, "pass"), (27, "fail")])
def test_the_missing_stimuli_decide_as_foretold(late: int, would: str) -> None:
    found = run(20_000, late, 0.001)
    assert found.outcome == "not enough data"
    assert found.would == would
    assert found.more_stimuli is not None
    total = 20_000 + found.more_stimuli
    assert run(total, round(total * late / 20_000), 0.001).outcome == would


def test_a_share_at_the_target_is_never_decided() -> None:
    found = run(1000, 1, 0.001)
    assert (found.outcome, found.more_stimuli, found.would) == ("not enough data", None, None)


def test_without_a_target_one_late_answer_fails() -> None:
    assert run(100_000, 1).outcome == "fail"
    assert run(10, 1).outcome == "fail"


def test_missed_stimuli_are_late_and_the_deadline_itself_is_not() -> None:
    reaction = np.full(500, DEADLINE_NS)
    answered = np.ones(500, dtype=np.bool_)
    assert judge(reaction, answered, DEADLINE_NS).late == 0
    answered[3] = False
    found = judge(reaction, answered, DEADLINE_NS)
    assert (found.late, found.outcome) == (1, "fail")


def test_clustered_late_answers_count_for_less() -> None:
    reaction = np.full(40_000, 60_000)
    for start in range(500, 40_000, 4000):
        reaction[start : start + 20] = DEADLINE_NS + 1
    clustered = judge(reaction, np.ones(40_000, dtype=np.bool_), DEADLINE_NS, target=0.008)
    scattered = run(40_000, 200, 0.008)
    assert clustered.late == scattered.late == 200
    assert clustered.clustered
    assert not scattered.clustered
    assert clustered.effective_stimuli < 10_000
    assert clustered.upper_bound > scattered.upper_bound
    assert scattered.outcome == "pass"
    undecided = judge(reaction, np.ones(40_000, dtype=np.bool_), DEADLINE_NS, target=0.0055)
    assert (undecided.outcome, undecided.would) == ("not enough data", "pass")
    assert undecided.more_stimuli is not None
    # Late answers keep their share and their groups: at the foretold end the bound meets the target. Fay and Feuer's
    # (1997) limit, by scipy's gamma distribution: groups of k among n, the largest possible of w.
    total = 40_000 + undecided.more_stimuli
    late, size, largest = 0.005 * total, 40_000 / undecided.effective_stimuli, undecided.together
    scale = (late * size + largest**2) / (late + largest)
    limit = stats.gamma.ppf(0.95, (late + largest) / scale, scale=scale) / total
    assert limit == pytest.approx(0.0055, rel=2e-3)


def test_wrong_passes_and_fails_are_as_rare_as_stated() -> None:
    rng = np.random.default_rng(3)
    outcomes = []
    for _ in range(600):
        reaction = np.where(rng.random(2000) < 0.01, DEADLINE_NS + 1, 60_000)
        outcomes.append(judge(reaction, np.ones(2000, dtype=np.bool_), DEADLINE_NS, target=0.01).outcome)
    # The share is the target: at most 5 % of each, 30 of 600; 4 standard deviations above that are 51.
    assert 0 < outcomes.count("pass") <= 51
    assert 0 < outcomes.count("fail") <= 51


def test_impossible_requests_are_refused() -> None:
    with pytest.raises(ValueError, match="at least one"):
        run(0, 0)
    with pytest.raises(ValueError, match="strictly within"):
        run(10, 0, 0.0)
    with pytest.raises(ValueError, match="2 for 3"):
        judge(np.arange(3), np.ones(2, dtype=np.bool_), 5)
