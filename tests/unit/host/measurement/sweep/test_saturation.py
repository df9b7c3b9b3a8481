import random
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgereply.errors import SettingError
from edgereply.measurement.sweep.probing import parse_range
from edgereply.measurement.sweep.saturation import FINE, RateProbe, fell_behind, probes_needed, search, sentences

MS = 1_000_000


def board(limit_ns: int, count: int = 1_000) -> Callable[[int], RateProbe]:
    """Keeps up with every interval down to its limit."""
    return lambda period_ns: RateProbe(period_ns, count, 0 if period_ns >= limit_ns else 7, False, "")


@given(st.integers(1, 400 * MS), st.integers(2, 2_000))
def test_the_limit_is_found_between_two_rates_close_together(limit_ns: int, ratio: int) -> None:
    slow_ns = 100 * MS
    quick_ns = slow_ns // ratio
    found = search(slow_ns, quick_ns, board(limit_ns))
    assert len(found.probes) <= probes_needed(slow_ns, quick_ns)
    if limit_ns > slow_ns:
        assert (found.kept_up_ns, found.lost_ns, found.share_bound) == (None, slow_ns, 1.0)
    elif limit_ns <= quick_ns:
        assert (found.kept_up_ns, found.lost_ns) == (quick_ns, None)
    else:
        assert found.kept_up_ns is not None
        assert found.lost_ns is not None
        assert found.lost_ns < limit_ns <= found.kept_up_ns
        assert found.kept_up_ns / found.lost_ns <= FINE


def test_the_bound_is_the_exact_one_shared_out_among_the_probes() -> None:
    found = search(10 * MS, MS, board(3 * MS, 2_000))
    # Nothing missed in n: the bound solves (1 - share)**n = alpha (Clopper and Pearson), alpha = 5 % / probes.
    assert (1 - found.share_bound) ** 2_000 == pytest.approx(0.05 / probes_needed(10 * MS, MS))


def test_the_bound_holds_as_often_as_it_says() -> None:
    """A board that misses more the faster it goes: how often the true share lies above the bound, 2,000 searches."""
    wrong = 0
    for seed in range(2_000):
        chance = random.Random(seed)

        def missing(period_ns: int) -> float:
            return float(0.02 * (MS / period_ns) ** 2)

        def measure(period_ns: int, chance: random.Random = chance) -> RateProbe:
            # Whether a probe of 200 sees none missed is all that counts.
            seen = int(chance.random() > (1 - missing(period_ns)) ** 200)
            return RateProbe(period_ns, 200, seen, False, "")

        found = search(20 * MS, MS, measure)
        wrong += found.kept_up_ns is not None and missing(found.kept_up_ns) > found.share_bound
    assert wrong <= 100 + 3.1 * np.sqrt(2_000 * 0.05 * 0.95)


def test_a_growing_queue_is_not_keeping_up() -> None:
    level = np.full(500, 100_000, np.int64)
    assert not fell_behind(level, MS)
    assert fell_behind(level + 10_000 * np.arange(500), MS)
    level[450:455] = 50 * MS
    assert not fell_behind(level, MS)
    assert not fell_behind(np.array([1, 2], np.int64), 1)
    assert not RateProbe(MS, 500, 0, True, "").kept_up
    assert not RateProbe(MS, 0, 0, False, "").kept_up


def test_words_say_where_the_limit_lies() -> None:
    assert "Up to 333.3/s" in sentences(search(10 * MS, 3 * MS, board(3 * MS)))[0]
    assert "limit lies beyond" in sentences(search(10 * MS, 3 * MS, board(3 * MS)))[0]
    assert "no rate to name" in sentences(search(10 * MS, MS, board(20 * MS)))[0]
    assert "did not keep up" in sentences(search(10 * MS, MS, board(3 * MS)))[0]


def test_a_range_is_read() -> None:
    assert parse_range("100/s to 4 kHz") == (10 * MS, 250_000)


@pytest.mark.parametrize("text", ["", "100/s", "100/s to 100/s", "4000/s to 100/s", "slow to quick", "0/s to 5/s"])
def test_what_is_no_range_is_refused(text: str) -> None:
    with pytest.raises(SettingError) as caught:
        parse_range(text)
    assert caught.value.where == "--saturation"


def test_the_highest_rate_must_be_higher() -> None:
    with pytest.raises(SettingError, match="above the lowest"):
        search(MS, MS, board(1))


def test_answers_after_the_deadline_are_told_beside_the_rate() -> None:
    def measure(period_ns: int) -> RateProbe:
        return RateProbe(period_ns, 1_000, 0, False, "", late=249 if period_ns == MS else 3)

    told = sentences(search(10 * MS, MS, measure))
    assert told[1] == "Not all in time: at 1,000/s 249 of 1,000 came after the deadline."
    # Eight probes at most: 1 - (0.05 / 8)**(1 / 1000) is 0.00506 (Clopper and Pearson).
    assert "at most 0.506 % (1 in 198) of the stimuli" in told[2]
    assert len(sentences(search(10 * MS, MS, board(MS)))) == 2
