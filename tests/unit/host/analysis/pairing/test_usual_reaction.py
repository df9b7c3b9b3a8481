import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from edgereply.analysis.pairing.usual_reaction import differences, most_within

TIMES = st.lists(st.integers(0, 400), min_size=1, max_size=200)


@given(TIMES, st.integers(0, 150), st.data())
def test_the_most_in_any_window_is_what_counting_each_gives(times: list[int], width: int, data: st.DataObject) -> None:
    gap = np.sort(np.array(times, np.int64))
    counted = max(sum(start <= t <= start + width for t in times) for start in times)
    assert most_within(gap, width) == counted
    assert most_within(gap, width, data.draw(st.integers(1, counted))) == counted


@given(TIMES, TIMES, st.sampled_from([1, 30, 2**40]))
def test_differences_are_those_to_every_earlier_stimulus(stimuli: list[int], rises: list[int], window: int) -> None:
    stimulus, rise = (np.sort(np.array(times, np.int64)) for times in (stimuli[:64], rises))
    found, sampled = differences(stimulus, rise, window)
    assert sampled == len(rises)
    assert found.tolist() == sorted(r - s for r in rises for s in stimuli[:64] if 0 <= r - s <= window)


def test_no_response_looks_further_back_than_so_many_stimuli() -> None:
    found, _ = differences(np.arange(100, dtype=np.int64), np.array([200], np.int64), 1000)
    assert found.tolist() == list(range(101, 165))


def test_long_windows_keep_differences_beyond_32_bits() -> None:
    found, _ = differences(np.array([0], np.int64), np.array([2**40], np.int64), 2**41)
    assert found.tolist() == [2**40]
