import pytest

from edgereply.at_once import at_once


def test_results_come_in_the_order_of_the_items() -> None:
    assert at_once(lambda n: n * n, range(100)) == [n * n for n in range(100)]
    assert at_once(str, []) == []


def test_what_the_first_failing_item_raised_is_raised() -> None:
    def work(n: int) -> float:
        return 1 / (n - 3) if n < 7 else int("no number")

    with pytest.raises(ZeroDivisionError):
        at_once(work, range(10))
