"""Stretches in which both trains run in step are matched without a search, and as a search would match them."""

from __future__ import annotations

import numpy as np
import pytest

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.pairing import matching
from edgereply.analysis.pairing.clock import nearest
from edgereply.analysis.pairing.residual_likelihood import Reach

COUNT = 2_000


def trains(spread_ns: float, lost: float, added: float) -> tuple[Int64s, Int64s]:
    rng = np.random.default_rng(round(spread_ns + 1e6 * lost + 1e5 * added))
    target = np.cumsum(200_000 + rng.exponential(800_000, COUNT)).astype(np.int64)
    times = target + np.rint(rng.normal(0, spread_ns, COUNT)).astype(np.int64)
    more = target[rng.random(COUNT) < added] + 90_000
    return target, np.sort(np.concatenate([times[rng.random(COUNT) >= lost], more]))


@pytest.mark.parametrize(
    ("spread_ns", "lost", "added"), [(5, 0, 0), (30_000, 0, 0), (400_000, 0, 0), (5, 0.002, 0.002)]
)
def test_what_is_found_in_step_is_what_a_search_finds(spread_ns: float, lost: float, added: float) -> None:
    target, times = trains(spread_ns, lost, added)
    in_step = 0
    for start in range(0, COUNT, 50):
        part = slice(start, start + 50)
        found = matching._in_step(target, part, times)
        index, residual, second = nearest(target[part], times)
        owner, _, rival = nearest(times[index], target)
        if found is None:
            if spread_ns < 1000 and not lost:
                assert start in (0, COUNT - 50)
            continue
        in_step += 1
        assert (owner == np.arange(start, start + 50)).all()
        for mine, searched in zip(found, (index, residual, second, rival), strict=True):
            np.testing.assert_array_equal(mine, searched)
    assert (in_step > 20) == (spread_ns < 100_000)


@pytest.mark.parametrize(("spread_ns", "lost", "added"), [(5, 0, 0), (30_000, 0.01, 0.01), (400_000, 0, 0.001)])
def test_a_match_is_the_same_without_it(
    spread_ns: float, lost: float, added: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    target, times = trains(spread_ns, lost, added)
    monkeypatch.setattr(matching, "CHUNK", 64)
    reach = Reach(1_000_000, 3_000_000)
    with_it = matching.match(target, times, max(spread_ns, 5.0), reach)
    monkeypatch.setattr(matching, "_in_step", lambda *_: None)
    without = matching.match(target, times, max(spread_ns, 5.0), reach)
    np.testing.assert_array_equal(with_it.partner, without.partner)
    np.testing.assert_array_equal(with_it.ambiguous, without.ambiguous)
    np.testing.assert_array_equal(with_it.extra, without.extra)
    assert with_it.sigma_ns == without.sigma_ns
