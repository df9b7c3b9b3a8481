"""Bounds against every way the left-out stimuli could have turned out."""

from __future__ import annotations

import numpy as np
import pytest

from edgereply.analysis.statistics.summary import QUANTILES
from edgereply.evaluation.bounds import bounds


@pytest.mark.parametrize("seed", range(5))
def test_no_outcome_of_the_left_out_lies_outside(seed: int) -> None:
    """The quantile of numpy's inverted distribution function (Hyndman and Fan's type 1), with 3 unknown answers."""
    rng = np.random.default_rng(seed)
    known = np.sort(rng.integers(1_000, 9_000, 40))
    found = bounds(40, lambda place: int(known[place]), 2, 3, int(np.count_nonzero(known > 8_000)))
    assert found["left_out"] == 3
    reached: dict[str, set[int]] = {name: set() for name in QUANTILES}
    shares = set()
    for _ in range(400):
        answered = int(rng.integers(0, 4))
        extra = rng.choice([1, 1_500, 5_000, 8_500, 10**9], answered)
        sample = np.concatenate((known, extra))
        for name, p in QUANTILES.items():
            value = int(np.quantile(sample, p, method="inverted_cdf"))
            low, high = found["reaction"][name]
            assert low is None or value >= low
            assert high is None or value <= high
            reached[name].add(value)
        shares.add((np.count_nonzero(sample > 8_000) + 2 + 3 - answered) / 45)
    assert found["late_share"] == pytest.approx([min(shares), max(shares)])
    low, high = found["reaction"]["median_ns"]
    assert (min(reached["median_ns"]), max(reached["median_ns"])) == (low, high)


def test_what_may_be_anything_has_no_bound() -> None:
    found = bounds(2, lambda place: (100, 200)[place], 0, 10, 0)
    assert found["reaction"]["median_ns"] == [None, None]
    assert found["late_share"] == [0.0, 10 / 12]
    assert bounds(0, lambda place: place, 0, 0, 0)["late_share"] == [0.0, 1.0]
