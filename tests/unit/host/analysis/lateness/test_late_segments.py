import numpy as np
import pytest

from edgereply.analysis.lateness.late_segments import blame_segments


def test_the_segment_that_grew_is_blamed_with_its_share() -> None:
    late = np.arange(1000) % 20 == 0
    wake = np.where(late, 90_000, 40_000)
    rest = np.where(late, 10_000, 5_000)
    found = blame_segments({"wake delay": wake, "set time": rest}, late)
    assert found is not None
    assert found.late == 50
    assert found.main == "wake delay"
    part = found.shares["wake delay"]
    assert (part.usual_ns, part.extra_ns) == (40_000, 50_000)
    assert part.share == pytest.approx(50 / 55)
    assert found.shares["set time"].share == pytest.approx(5 / 55)


def test_two_segments_that_share_the_blame_leave_none_as_main() -> None:
    rng = np.random.default_rng(1)
    late = rng.random(2000) < 0.05
    extra = np.where(late, 50_000, 0)
    first = rng.random(2000) < 0.5
    found = blame_segments({"a": 1000 + extra * first, "b": 1000 + extra * ~first}, late)
    assert found is not None
    assert found.main is None
    assert found.shares["a"].low < found.shares["a"].share < found.shares["a"].high


def test_intervals_of_a_share_hold_it() -> None:
    held = 0
    for seed in range(300):
        rng = np.random.default_rng(seed)
        late = np.arange(500) < 60
        a = np.where(late, rng.exponential(3000, 500), 0).astype(np.int64)
        b = np.where(late, rng.exponential(1000, 500), 0).astype(np.int64)
        found = blame_segments({"a": a, "b": b}, late)
        assert found is not None
        held += found.shares["a"].low <= 0.75 <= found.shares["a"].high
    # 285 expected; 4 standard deviations below that are 270, and the form is approximate.
    assert held >= 268


def test_too_little_to_blame() -> None:
    times = {"a": np.full(100, 5)}
    assert blame_segments(times, np.arange(100) < 5) is None
    assert blame_segments(times, np.ones(100, dtype=np.bool_)) is None
    assert blame_segments(times, np.arange(100) < 50) is None
    assert blame_segments({}, np.arange(100) < 50) is None
