import unicodedata
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgereply.analysis.summary import summarise
from edgereply.report import text
from tests.unit.host.report.runs import HOSTILE, run

SIZES = {"ns": 1, "µs": 10**3, "ms": 10**6, "s": 10**9}


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (None, "–"),
        (0, "0 ns"),
        (7, "7 ns"),
        (999, "999 ns"),
        (12.345, "12.3 ns"),
        (1000, "1.00 µs"),
        (12_345, "12.3 µs"),
        (999_499, "999 µs"),
        (999_500, "1.00 ms"),
        (9_996_000, "10.0 ms"),
        (-12_345, "−12.3 µs"),
        (59_000_000_000, "59.0 s"),
        (1_234_567_000_000, "1,235 s"),
    ],
)
def test_duration(value: float | None, shown: str) -> None:
    assert text.duration(value) == shown


@given(st.integers(1000, 10**12 - 10**9))
def test_duration_rounds_as_the_c_library_does(value: int) -> None:
    number, unit = text.duration(value).split(" ")
    # printf's %.2e keeps three significant digits and rounds an exact decimal half to even.
    assert Decimal(number.replace(",", "")) * SIZES[unit] == Decimal(f"{Decimal(value):.2e}")
    assert len(number.replace(".", "").replace(",", "")) == 3


@given(st.lists(st.integers(0, 10**12), min_size=2, max_size=5))
def test_unequal_times_never_read_equal(values: list[int]) -> None:
    shown = text.distinct(*values)
    assert len(set(shown)) == len(set(values))


def test_a_miss_by_a_hair_is_visible() -> None:
    assert text.distinct(2_000_400, 2_000_000) == ["2.0004 ms", "2.0000 ms"]


@pytest.mark.parametrize(
    ("value", "shown"), [(2_000_000, "2 ms"), (1250, "1.25 µs"), (500, "500 ns"), (0, "0 ns"), (20 * 10**9, "20 s")]
)
def test_chosen_times_keep_every_digit(value: int, shown: str) -> None:
    assert text.exactly(value) == shown


def test_a_quantile_that_is_not_known_says_what_it_takes() -> None:
    short = dict(run(list(range(1000, 1100))).summary["reaction"])
    assert text.quantile(short, "median_ns") == "1.05 µs"
    assert text.quantile(short, "p99_9_ns") == "needs N ≥ 3,688"
    assert text.quantile(short, "tail_spread_ns") == "needs N ≥ 3,688"
    assert text.quantile(run([5]).summary["reaction"], "std_ns") == "needs N ≥ 2"
    assert text.quantile({"count": 3, "p99_ns": None}, "p99_ns") == "N too small"
    assert text.quantile(None, "p99_ns") == text.quantile({"count": 0}, "max_ns") == "–"


def test_intervals() -> None:
    summary = {"ci95": {"median_ns": [12_340, 12_349], "p90_ns": None, "p99_ns": [5, 5]}}
    assert text.interval(summary, "median_ns") == "12.34 µs to 12.35 µs"
    assert text.interval(summary, "p90_ns") == text.interval(None, "p90_ns") == ""
    assert text.interval(summary, "p99_ns") == "5 ns"
    assert text.interval(dict(summarise(run([1] * 50).reaction_ns).as_dict()), "median_ns") == "1 ns"


@pytest.mark.parametrize(
    ("part", "whole", "shown"),
    [(0, 0, "–"), (0, 9, "0 %"), (9, 9, "100 %"), (1, 2, "50 %"), (1, 1000, "0.1 %"), (999_999, 10**6, "99.9999 %"),
     (3, 20_000, "0.02 %"), (1, 10, "10 %")],
)  # fmt: skip
def test_shares(part: int, whole: int, shown: str) -> None:
    assert text.share(part, whole) == shown


@given(st.integers(1, 10**9), st.data())
def test_a_share_is_never_rounded_to_all_or_nothing(whole: int, data: st.DataObject) -> None:
    part = data.draw(st.integers(0, whole))
    shown = Decimal(text.share(part, whole).removesuffix(" %"))
    assert (shown == 0) == (part == 0)
    assert (shown == 100) == (part == whole)
    # One digit of the smaller side: at most half of its leading digit off.
    exact = Decimal(100 * part) / whole
    assert abs(shown - exact) <= Decimal("0.5001") * min(exact, 100 - exact) or exact in (0, 100)


@given(st.text())
def test_cleaned_names_hold_nothing_that_acts(name: str) -> None:
    shown = text.clean(name)
    assert not {unicodedata.category(c) for c in shown} & {"Cc", "Cf", "Cs"}
    assert "\n" not in shown
    assert len(text.clean(name, 5)) <= 5


def test_cleaned_names_keep_what_is_harmless() -> None:
    assert text.clean("Grüße  an\ndas <Tor>") == "Grüße an das <Tor>"
    assert text.clean("abcdefgh", 5) == "abcd…"
    assert text.clean(HOSTILE).endswith("<!-- ��[31m")


def test_listing() -> None:
    assert [text.listing(p) for p in ([], ["a"], ["a", "b"], ["a", "b", "c"])] == ["", "a", "a and b", "a, b and c"]


def test_units() -> None:
    assert [text.unit_for(v) for v in (0, 999, 1000, 2.5e6, 3e9)] == [
        (1, "ns"), (1, "ns"), (1000, "µs"), (10**6, "ms"), (10**9, "s"),
    ]  # fmt: skip


def test_a_share_is_written_without_exponent_and_as_one_in_so_many() -> None:
    assert [text.fraction(value) for value in (0.01, 4.44e-05, 1e-5, 0.21633)] == [
        "0.01",
        "0.0000444",
        "0.00001",
        "0.216",
    ]
    assert text.one_in(0.00074865) == "0.000749 (1 in 1,336)"  # 1 - 0.05 ** (1 / 4000), the rule of three's case
    assert (text.one_in(0.216), text.one_in(0.0)) == ("0.216", "0")


def test_rounds_that_were_never_begun_take_one_line() -> None:
    cut = "round 3 of block: incomplete: stopped by the user"
    never = [f"round {number} of block: not measured" for number in (4, 5, 6)]
    assert text.rounds_together([cut, *never]) == [cut, "rounds 4 to 6 of block: not measured"]
    assert text.rounds_together([never[0], cut, never[2]]) == [cut, "rounds 4 and 6 of block: not measured"]
    assert text.rounds_together([cut, never[0]]) == [cut, never[0]]


def test_one_stimulus_is_not_spoken_of_as_several() -> None:
    assert text.unclear_words(1) == "1 stimulus, since which answer is its own cannot be told"
    assert text.unclear_words(1_200).startswith("1,200 stimuli, since which answer is whose")
