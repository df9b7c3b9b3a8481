"""Coverage by simulation, small: the full 10,000 repeats are tests/benchmarks/interval_coverage.py."""

import pytest

from tests.benchmarks.interval_coverage import POPULATIONS, coverage


@pytest.mark.parametrize("name", ["heavy tail", "tied", "several modes", "autocorrelated"])
@pytest.mark.parametrize(("p", "answers"), [(0.5, 1_500), (0.99, 4_500)])
def test_intervals_hold_the_true_quantile(name: str, p: float, answers: int) -> None:
    share, given = coverage(POPULATIONS[name], p, answers, repeats=200, seed=2)
    # 4,500 answers of that chain are worth some 2,200 for p99: not every run rules out groups of ten.
    assert given >= (0.6 if (name, p) == ("autocorrelated", 0.99) else 0.95)
    # 94 to 98.5 % in many repeats; 200 add 3 standard errors of 1.6 %.
    assert share >= 0.90


@pytest.mark.parametrize(
    ("name", "p"),
    [
        ("burst of 10 in 1,510", 0.9),
        ("burst of 10 in 1,510", 0.99),
        ("burst of 15 in 615", 0.9),
        ("burst of 15 in 615", 0.99),
        ("10 bursts of 10 in 4,000", 0.99),
        ("40 bursts of 10 in 4,000", 0.99),
        ("switching, 4 visits", 0.5),
        ("switching, 40 visits", 0.9),
        ("drift", 0.5),
    ],
)
def test_hardly_any_run_has_an_interval_that_does_not_hold(name: str, p: float) -> None:
    population = POPULATIONS[name]
    share, given = coverage(population, p, population.answers or 4_000, repeats=100, seed=3)
    # At most 5 of 100 are wrong; 3 standard deviations above that are 11.
    assert given * (1.0 - share) <= 0.11


def test_few_distinct_values_make_intervals_hold_more_often_never_less() -> None:
    share, _ = coverage(POPULATIONS["few values"], 0.9, answers=1500, repeats=200, seed=2)
    assert share >= 0.95
