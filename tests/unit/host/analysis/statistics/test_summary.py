import json
from pathlib import Path
from unittest.mock import ANY

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from edgereply.analysis.statistics.quantile_intervals import quantile_interval
from edgereply.analysis.statistics.summary import mean_and_std, summarise

DATA = Path(__file__).parents[4] / "reference_data"


def _michelson() -> NDArray[np.int64]:
    return np.loadtxt(DATA / "michelson_speed_of_light.csv", skiprows=4, dtype=np.int64)


def test_strd_michelso() -> None:
    # NIST StRD Michelso: mean 299.8524, sd .0790105478190518 (thousands of km/s; km/s here).
    mean, std = mean_and_std(_michelson())
    assert mean == pytest.approx(299852.4, rel=1e-15)
    assert std == pytest.approx(79.0105478190518, rel=1e-14)


def test_strd_numacc1() -> None:
    # NIST StRD NumAcc1: mean 10000002, sd 1.
    assert mean_and_std(np.array([10000001, 10000003, 10000002])) == (10000002.0, 1.0)


@pytest.mark.parametrize("whole", [1, 1_000_000, 10_000_000])
def test_strd_numacc2_to_4(whole: int) -> None:
    # NIST StRD NumAcc2/3/4 in tenths: c, then 500 pairs c - .1, c + .1; mean c, sd .1 exactly.
    centre = whole * 10 + 2
    values = np.array([centre, *[centre - 1, centre + 1] * 500], dtype=np.int64)
    assert mean_and_std(values) == (float(centre), 1.0)


def test_a_spread_of_one_nanosecond_on_a_boot_clock_survives() -> None:
    values = 1_700_000_000_000_000_000 + np.array([0, 1, 2], dtype=np.int64)
    assert mean_and_std(values) == (1_700_000_000_000_000_001.0, 1.0)


def test_sums_past_64_bits_do_not_wrap() -> None:
    values = np.array([0, *[2**61] * 9], dtype=np.int64)
    mean, _ = mean_and_std(values)
    assert mean == 0.9 * 2**61


def upper_rank(share: float) -> int:
    """Of 10,000: the last with so few beyond that Fay and Feuer's limit, as a beta distribution, is that share."""

    def limit(late: int) -> float:
        scale = (late + 100) / (late + 10)
        return float(stats.beta.isf(0.025, (late + 10) / scale, (10_000 - late) / scale))

    return 10_000 - max(late for late in range(5_001) if limit(late) <= share)


UPPER = {"median_ns": upper_rank(0.5), "p90_ns": upper_rank(0.1), "p99_ns": upper_rank(0.01)}


def test_the_whole_summary_of_1_to_10000() -> None:
    rng = np.random.default_rng(5)
    found = summarise(rng.permutation(np.arange(1, 10_001)))
    assert found.as_dict() == {
        "count": 10_000,
        "min_ns": 1,
        "median_ns": 5000,
        "p90_ns": 9000,
        "p99_ns": 9900,
        "p99_9_ns": 9990,
        "max_ns": 10_000,
        "mean_ns": 5000.5,
        # sd of 1..n with divisor n - 1 is sqrt(n (n + 1) / 12).
        "std_ns": pytest.approx((10_000 * 10_001 / 12) ** 0.5, rel=1e-14),
        "peak_to_peak_ns": 9999,
        "tail_spread_ns": 4990,
        # Ranks from the binomial distribution, as scipy.stats.quantile_test gives them; upper ones allow for
        # a group of ten that did not come, and for p99.9 there are too few answers to rule one out.
        "ci95": {
            "median_ns": [4902, UPPER["median_ns"]],
            "p90_ns": [8941, UPPER["p90_ns"]],
            "p99_ns": [9880, UPPER["p99_ns"]],
            "p99_9_ns": None,
        },
        "ci95_method": dict.fromkeys(("median_ns", "p90_ns", "p99_ns"), "order statistics"),
        "effective_count": dict.fromkeys(("median_ns", "p90_ns", "p99_ns"), 10_000) | {"p99_9_ns": ANY},
        "rough": ["p99_9_ns", "tail_spread_ns"],
        "needed": {},
    }


def test_intervals_are_those_that_allow_for_clusters() -> None:
    rng = np.random.default_rng(8)
    values = 50_000 + rng.integers(0, 9_000, 20_000) + 60_000 * np.repeat(rng.random(1000) < 0.02, 20)
    found = summarise(values)
    told = found.as_dict()
    wanted = quantile_interval(values, 0.99)
    assert wanted is not None
    assert wanted.method == "block variance"
    assert found.value_ns("p99_ns") == wanted.value_ns
    assert found.ci95("p99_ns") == (wanted.low_ns, wanted.high_ns)
    assert told["ci95_method"]["p99_ns"] == "block variance"
    assert told["effective_count"]["p99_ns"] == int(wanted.effective_count) < 4_000
    # The median's own side does not depend on the clusters by much.
    assert told["effective_count"]["median_ns"] > told["effective_count"]["p99_ns"]


def test_a_quantile_too_clustered_for_an_interval_keeps_its_value() -> None:
    # All late answers in one burst: nothing can be said about how often there is one.
    found = summarise(np.repeat([10_000, 90_000], [5_880, 120]))
    told = found.as_dict()
    assert told["rough"] == ["p90_ns", "p99_ns", "p99_9_ns", "tail_spread_ns"]
    assert found.value_ns("p99_ns") == 90_000
    assert found.ci95("p99_ns") is None
    assert told["effective_count"]["p99_ns"] < 368
    assert "p99_ns" not in found.needed
    assert "p99_ns" not in told["ci95_method"]


def test_quantiles_the_sample_cannot_support_are_none_with_the_size_needed() -> None:
    found = summarise(np.arange(400))
    assert found.value_ns("p99_ns") is not None
    assert found.value_ns("p99_9_ns") is None
    assert found.tail_spread_ns is None
    assert found.ci95("p99_9_ns") is None
    assert found.needed == {"p99_9_ns": 3688}
    assert summarise(np.arange(3688)).value_ns("p99_9_ns") is not None
    assert summarise(np.arange(3687)).value_ns("p99_9_ns") is None


def test_an_empty_sample() -> None:
    found = summarise(np.empty(0, dtype=np.int64))
    assert found.count == 0
    assert found.min_ns is found.max_ns is found.mean_ns is found.std_ns is found.peak_to_peak_ns is None
    assert found.needed == {"median_ns": 6, "p90_ns": 36, "p99_ns": 368, "p99_9_ns": 3688}


def test_one_value() -> None:
    found = summarise(np.array([7]))
    assert (found.min_ns, found.max_ns, found.mean_ns, found.std_ns) == (7, 7, 7.0, None)
    assert found.value_ns("median_ns") is None


@pytest.mark.parametrize("count", [0, 1, 6, 5000])
def test_as_dict_is_json_with_plain_numbers(count: int) -> None:
    found = summarise(np.full(count, 1_234_567)).as_dict()
    assert json.loads(json.dumps(found)) == found
    assert type(found["max_ns"]) in (int, type(None))


def test_all_equal_values_have_no_spread() -> None:
    found = summarise(np.full(5000, 8_000))
    assert (found.std_ns, found.peak_to_peak_ns, found.tail_spread_ns) == (0.0, 0, 0)
    assert found.ci95("p99_ns") == (8000, 8000)


def test_the_sample_is_left_as_it_was() -> None:
    values = np.random.default_rng(1).integers(0, 10**9, 5000)
    before = values.copy()
    summarise(values)
    assert np.array_equal(values, before)


def test_other_shapes_and_types_are_refused() -> None:
    with pytest.raises(TypeError, match="int64"):
        summarise(np.array([1.0]))
    with pytest.raises(ValueError, match="one dimension"):
        summarise(np.zeros((2, 2), dtype=np.int64))
