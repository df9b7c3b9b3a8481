"""The glitch filter, against the levels of a line read off sample by sample."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from edgereply.analysis.pairing.glitches import lasting, short_pulses


def kept(at: list[float], shortest: float, first_rising: bool = True) -> list[tuple[float, bool]]:
    times = np.array(at)
    rising = (np.arange(times.size) % 2 == 0) == first_rising
    keep = lasting(times, rising, shortest)
    return list(zip(times[keep].tolist(), rising[keep].tolist(), strict=True))


def test_a_spike_and_a_gap_go() -> None:
    # high 10-20 with a gap 15-15.2, a spike at 30
    assert kept([10.0, 15.0, 15.2, 20.0, 30.0, 30.1], 1.0) == [(10.0, True), (20.0, False)]


def test_nothing_goes_without_a_filter() -> None:
    assert len(kept([10.0, 10.0, 20.0, 20.5], 0.0)) == 4


def test_a_bouncing_contact_counts_from_its_first_lasting_level() -> None:
    assert kept([10.0, 10.1, 10.2, 10.3, 10.4, 30.0], 1.0) == [(10.4, True), (30.0, False)]


def test_the_last_level_lasts() -> None:
    assert kept([10.0], 5.0) == [(10.0, True)]
    assert kept([10.0, 10.5], 5.0, first_rising=False) == []


@given(steps=st.lists(st.integers(1, 6), max_size=30), first=st.booleans(), shortest=st.integers(1, 5))
def test_levels_are_the_lasting_ones(steps: list[int], first: bool, shortest: int) -> None:
    """Read the line at each moment: it has the level of the last stretch that lasted long enough."""
    at = np.cumsum(np.array(steps, np.int64))
    found = kept(at.astype(float).tolist(), float(shortest), first)
    level = not first
    expected = []
    for place, (time, rising) in enumerate(
        zip(at.tolist(), [(n % 2 == 0) == first for n in range(at.size)], strict=True)
    ):
        lasts = place + 1 == at.size or at[place + 1] - time >= shortest
        if lasts and rising != level:
            expected.append((float(time), rising))
            level = rising
    assert found == expected


def test_short_pulses_are_counted() -> None:
    at = np.array([0.0, 10.0, 100.0, 110.0, 200.0, 200.2, 300.0, 310.0])
    assert short_pulses(at, np.arange(8) % 2 == 0) == (1, np.float64(200.2) - 200.0)
    assert short_pulses(np.empty(0), np.empty(0, np.bool_)) == (0, 0.0)
