import numpy as np

from edgereply.analysis.lateness.clusters import stands_by_clusters, without_bursts
from edgereply.analysis.lateness.explain import explain, late_limit
from edgereply.analysis.lateness.period_search import search_periods
from tests.benchmarks.false_alarms import bursting


def test_bursts_at_random_times_are_no_period() -> None:
    # Seeds whose bursts the search by itself takes for a period (tests/benchmarks/false_alarms.py shows how many do).
    for seed in (12, 27, 73):
        stimulus, reaction = bursting(seed, 3_000)
        late = reaction > late_limit(reaction)
        search = search_periods(stimulus, late)
        assert search.findings
        left = without_bursts(search, stimulus, late)
        assert (left.findings, left.status) == ((), "no period found")
        assert left.unexplained.tolist() == late.tolist()
        assert explain(stimulus, reaction).periods == ()


def test_a_job_of_every_second_stands_though_each_visit_is_long() -> None:
    rng = np.random.default_rng(5)
    stimulus = np.cumsum(200_000 + rng.exponential(400_000, 30_000)).astype(np.int64)
    late = (stimulus % 1_000_000_000 < 50_000_000) | (rng.random(30_000) < 0.002)
    search = search_periods(stimulus, late)
    assert abs(search.findings[0].period_ns / 1e9 - 1) < 0.001
    assert stands_by_clusters(stimulus, late, search.findings[0])
    assert without_bursts(search, stimulus, late) is search
