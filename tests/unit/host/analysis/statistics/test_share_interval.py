import numpy as np
from scipy import stats

from edgereply.analysis.statistics.exceedances import share_interval


def test_marks_here_and_there_get_the_binomial_interval() -> None:
    # Newcombe (1998), Statistics in Medicine 17, 857-872, Table I (from memory): 15 of 148, exact 0.0578 to 0.1617.
    marked = np.zeros(148, bool)
    marked[np.random.default_rng(3).choice(148, 15, replace=False)] = True
    found = share_interval(marked)
    assert found is not None
    assert (round(found.low, 4), round(found.high, 4)) == (0.0578, 0.1617)


def test_marks_in_clusters_get_a_wider_one() -> None:
    # Clusters of 20 on a grid of 20: 500 independent draws of all or nothing, so the interval is that of 500 trials.
    drawn = np.random.default_rng(4).random(500) < 0.1
    found = share_interval(np.repeat(drawn, 20))
    reference = stats.binomtest(int(drawn.sum()), 500).proportion_ci()
    assert found is not None
    width = found.high - found.low
    assert 0.8 * (reference.high - reference.low) < width < 1.8 * (reference.high - reference.low)


def test_one_cluster_says_nothing() -> None:
    marked = np.zeros(300, bool)
    marked[100:150] = True
    assert share_interval(marked) is None
    assert share_interval(np.zeros(300, bool)) is not None
