import numpy as np

from edgereply.analysis.jitter import response_jitter
from edgereply.analysis.modes import find_modes
from edgereply.analysis.run_statistics import describe_run
from edgereply.analysis.summary import summarise


def test_every_part_is_that_of_its_own_function() -> None:
    rng = np.random.default_rng(1)
    stimulus = np.cumsum(rng.integers(300_000, 900_000, 6000))
    rise = stimulus + 50_000 + rng.gamma(2, 10_000, 6000).astype(np.int64)
    answered = rng.random(6000) < 0.99
    rise[~answered] = -(2**60)
    reaction = (rise - stimulus)[answered]
    found = describe_run(stimulus, rise, answered, np.full(5000, 20_000))
    assert found.summary == summarise(reaction)
    assert found.jitter == response_jitter(rise - stimulus, answered)
    assert found.modes == find_modes(reaction)
    assert found.bound is not None
    assert np.mean(reaction <= found.bound.bound_ns) >= 0.999
    assert not found.dependence.dependent
    assert found.drift is not None
    assert found.warm_up.count == 0
    assert found.long_pulses is not None
    assert found.long_pulses.count == 0


def test_answering_everything_takes_the_same_way() -> None:
    rng = np.random.default_rng(2)
    stimulus = np.cumsum(rng.integers(300_000, 900_000, 500))
    rise = stimulus + rng.integers(50_000, 60_000, 500)
    found = describe_run(stimulus, rise, np.ones(500, dtype=np.bool_), np.full(500, 20_000))
    assert found.summary == summarise(rise - stimulus)
    assert found.summary.needed == {"p99_9_ns": 3688}


def test_a_run_without_answers() -> None:
    nothing = np.empty(0, dtype=np.int64)
    found = describe_run(np.arange(5), np.zeros(5, dtype=np.int64), np.zeros(5, dtype=np.bool_), nothing)
    assert found.summary.count == 0
    assert found.modes == ()
    assert (found.bound, found.drift, found.long_pulses) == (None, None, None)
