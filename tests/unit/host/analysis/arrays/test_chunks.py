import numpy as np
import pytest

from edgereply.analysis.arrays.chunks import at_once, chunks, chunkwise, in_turn, threads
from edgereply.analysis.arrays.presence import NO_STAMP, present


def test_results_come_in_the_order_of_the_items() -> None:
    assert at_once(lambda n: n * n, range(100)) == [n * n for n in range(100)]
    assert at_once(str, []) == []


def test_what_the_first_failing_item_raised_is_raised() -> None:
    def work(n: int) -> float:
        return 1 / (n - 3) if n < 7 else int("no number")

    with pytest.raises(ZeroDivisionError):
        at_once(work, range(10))


def test_chunks_cover_every_place_once() -> None:
    assert chunks(10, 4) == [slice(0, 4), slice(4, 8), slice(8, 10)]
    assert chunks(0) == []
    values = np.arange(100)
    assert sum(chunkwise(lambda part: int(values[part].sum()), values.size, 7)) == values.sum()


def test_results_in_turn_are_worked_on_no_further_ahead_than_the_threads_are_many() -> None:
    begun: list[int] = []
    results = in_turn(lambda n: begun.append(n) or n * n, range(100))  # type: ignore[func-returns-value]
    assert [next(results) for _ in range(5)] == [0, 1, 4, 9, 16]
    assert len(begun) <= 5 + threads() + 1
    assert list(results) == [n * n for n in range(5, 100)]


def test_a_failure_comes_when_it_is_its_items_turn() -> None:
    results = in_turn(lambda n: 1 // (n - 2), range(5))
    assert [next(results), next(results)] == [-1, -1]
    with pytest.raises(ZeroDivisionError):
        next(results)


@pytest.mark.parametrize("missing", [[], [0], [3, 70_000, 599_999]])
def test_what_is_there_is_kept_in_order(missing: list[int]) -> None:
    values = np.arange(600_000)
    values[missing] = NO_STAMP
    found = present(values)
    assert np.array_equal(found, np.delete(np.arange(600_000), missing))
    assert (found is values) == (not missing)
