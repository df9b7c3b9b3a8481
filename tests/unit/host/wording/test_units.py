import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgereply.wording.units import parse_duration_ns, parse_rate_period_ns, rate_words


@pytest.mark.parametrize(
    ("text", "expected_ns"),
    [
        ("2ms", 2_000_000),
        ("500 us", 500_000),
        ("1.5s", 1_500_000_000),
        ("10min", 600_000_000_000),
        ("62.5ns", 62),
        ("1µs", 1000),
        (".5 ms", 500_000),
        ("1h", 3_600_000_000_000),
    ],
)
def test_times_with_units(text: str, expected_ns: int) -> None:
    assert parse_duration_ns(text) == expected_ns


@pytest.mark.parametrize("text", ["2", "ms", "", "-2ms", "2 parsecs", "1e3ms", "nan s", "9999h", "2ms\n3ms"])
def test_what_is_no_time_is_refused_with_the_text(text: str) -> None:
    with pytest.raises(ValueError, match=r"is not a time|longer than a week"):
        parse_duration_ns(text)


@pytest.mark.parametrize(
    ("text", "expected_ns"),
    [("200/s", 5_000_000), ("1kHz", 1_000_000), ("0.5 Hz", 2_000_000_000), ("3/s", 333_333_333)],
)
def test_rates(text: str, expected_ns: int) -> None:
    assert parse_rate_period_ns(text) == expected_ns


@pytest.mark.parametrize("text", ["0/s", "200", "-1/s", "/s", "1/min"])
def test_what_is_no_rate_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="is not a rate"):
        parse_rate_period_ns(text)


@given(st.text(max_size=30))
def test_any_text_gives_a_time_or_a_value_error(text: str) -> None:
    with contextlib.suppress(ValueError):
        assert parse_duration_ns(text) >= 0


@pytest.mark.parametrize(
    ("period_ns", "words"),
    [(50_000, "20,000/s"), (226_797, "4,409/s"), (5_000_000, "200/s"), (3_000, "333,300/s"), (2_000_000_000, "0.5/s")],
)
def test_rates_as_words(period_ns: int, words: str) -> None:
    assert rate_words(period_ns) == words
