import numpy as np

from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.evaluation.pooling import end_to_end, pool
from tests.fakes.made_runs import from_reactions, random_stimuli


def test_rounds_stand_one_after_the_other() -> None:
    # Two runs on clocks of their own: 0, 10, 20 and 1000, 1004, each followed by a mean interval.
    joined = end_to_end([np.array([5, 15, 25]), np.array([], np.int64), np.array([1000, NO_STAMP, 1004])])
    assert joined.tolist() == [0, 10, 20, 30, NO_STAMP, 34]


def test_nothing_is_lost_and_counts_add_up() -> None:
    runs = [from_reactions(random_stimuli(100, n), np.full(100, 40_000 + n), 40_001) for n in (1, 2, 3)]
    together = pool(runs)
    assert sorted(set(together.reaction_ns.tolist())) == [40_001, 40_002, 40_003]
    assert together.counts["stimuli"] == len(together.status) == 300
    assert together.counts["late"] == 200
    assert np.all(np.diff(together.stimulus_ns) > 0)
    assert set(together.edge_ns.tolist()) == {NO_STAMP}
