"""At what chance something is called a finding: 1 in 1000, held by cases between that and 1 in 50.

Chances are computed here by scipy or by the module's own published bound, from counts written down in the test.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from edgereply.analysis.lateness import bursts, clusters
from edgereply.analysis.lateness.bursts import find_bursts
from edgereply.analysis.lateness.clusters import stands_by_clusters
from edgereply.analysis.lateness.fold import Window
from edgereply.analysis.lateness.period_search import PeriodFinding
from edgereply.analysis.statistics import drift
from edgereply.analysis.statistics.drift import find_warm_up

LEVEL, LAX = 0.001, 0.02


def late_at(spread: int, together: int, count: int) -> np.ndarray:
    late = np.zeros(count, np.bool_)
    late[np.linspace(0, count // 2, spread, dtype=int)] = True
    late[count - 10 : count - 10 + together] = True
    return late


def burst_chances() -> list[float]:
    found = []
    for spread in range(2, 60):
        for together in (4, 5, 6):
            late = late_at(spread, together, 2000)
            found += [burst.chance for burst in find_bursts(np.arange(2000) * 1_000_000, late)]
    return found


def test_bursts(monkeypatch: pytest.MonkeyPatch) -> None:
    chances = burst_chances()
    assert chances
    assert max(chances) <= LEVEL
    monkeypatch.setattr(bursts, "_ALPHA", LAX)
    assert [chance for chance in burst_chances() if LEVEL < chance <= LAX], "no case between the levels"


def finding(period_ns: int, duty: float) -> PeriodFinding:
    window = Window(start_ns=0.0, width_ns=period_ns * duty, duty=duty, stimuli=1, late=1, outside_late=0, depth=1.0,
                    likelihood=1.0)  # fmt: skip
    made = object.__new__(PeriodFinding)
    for name, value in {"period_ns": float(period_ns), "error_ns": 1.0, "false_alarm": 0.0, "window": window}.items():
        object.__setattr__(made, name, value)
    return made


def test_periods_by_visits() -> None:
    """Binomial tail by scipy; so many visits in the window of a tenth, the others far from it and from each other."""
    period_ns, duty, cycles, visits = 1_000_000_000, 0.1, 100, 30
    between = 0
    for hits in range(1, visits + 1):
        times = [n * 3 * period_ns + period_ns // 20 for n in range(hits)]
        times += [n * 3 * period_ns + period_ns // 2 for n in range(hits, visits)]
        stimulus = np.array(sorted({0, cycles * period_ns, *times}), np.int64)
        late = np.isin(stimulus, times)
        chance = float(stats.binom.sf(hits - 1, visits, duty)) * cycles * 10.0 / duty
        assert stands_by_clusters(stimulus, late, finding(period_ns, duty)) is (chance <= LEVEL), hits
        between += LEVEL < chance <= LAX
    assert between, "no case between the levels"


def warm_ups(seeds: range) -> list[float]:
    found = []
    for seed in seeds:
        values = np.random.default_rng(seed).normal(100_000, 1000, 400)
        values[:40] += 800
        found.append(find_warm_up(values.astype(np.int64)).p_value)
    return [p for p in found if p < 1.0]


def test_warm_up(monkeypatch: pytest.MonkeyPatch) -> None:
    seeds = range(40)
    assert max(warm_ups(seeds), default=0.0) <= LEVEL
    monkeypatch.setattr(drift, "_WARM_UP_ALPHA", LAX)
    assert [p for p in warm_ups(seeds) if LEVEL < p <= LAX], "no case between the levels"


def test_the_levels_are_as_written() -> None:
    assert (bursts._ALPHA, clusters._FALSE_ALARM, drift._WARM_UP_ALPHA) == (LEVEL,) * 3
