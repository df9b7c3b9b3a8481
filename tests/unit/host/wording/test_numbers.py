import unicodedata
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgereply.analysis.statistics.summary import summarise
from edgereply.wording import numbers
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
    assert numbers.duration(value) == shown


@given(st.integers(1000, 10**12 - 10**9))
def test_duration_rounds_as_the_c_library_does(value: int) -> None:
    number, unit = numbers.duration(value).split(" ")
    # printf's %.2e keeps three significant digits and rounds an exact decimal half to even.
    assert Decimal(number.replace(",", "")) * SIZES[unit] == Decimal(f"{Decimal(value):.2e}")
    assert len(number.replace(".", "").replace(",", "")) == 3


@given(st.lists(st.integers(0, 10**12), min_size=2, max_size=5))
def test_unequal_times_never_read_equal(values: list[int]) -> None:
    shown = numbers.distinct(*values)
    assert len(set(shown)) == len(set(values))


def test_a_miss_by_a_hair_is_visible() -> None:
    assert numbers.distinct(2_000_400, 2_000_000) == ["2.0004 ms", "2.0000 ms"]


@pytest.mark.parametrize(
    ("value", "shown"), [(2_000_000, "2 ms"), (1250, "1.25 µs"), (500, "500 ns"), (0, "0 ns"), (20 * 10**9, "20 s")]
)
def test_chosen_times_keep_every_digit(value: int, shown: str) -> None:
    assert numbers.exactly(value) == shown


def test_a_quantile_that_is_not_known_says_what_it_takes() -> None:
    short = dict(run(list(range(1000, 1100))).summary["reaction"])
    assert numbers.quantile(short, "median_ns") == "1.05 µs"
    assert numbers.quantile(short, "p99_9_ns") == "needs 3,688 answers"
    assert numbers.quantile(short, "tail_spread_ns") == "needs 3,688 answers"
    assert numbers.quantile(run([5]).summary["reaction"], "std_ns") == "needs 2 answers"
    assert numbers.quantile({"count": 3, "p99_ns": None}, "p99_ns") == "too few answers"
    assert numbers.quantile(None, "p99_ns") == numbers.quantile({"count": 0}, "max_ns") == "–"


def test_intervals() -> None:
    summary = {"ci95": {"median_ns": [12_340, 12_349], "p90_ns": None, "p99_ns": [5, 5]}}
    assert numbers.interval(summary, "median_ns") == "12.34 µs to 12.35 µs"
    assert numbers.interval(summary, "p90_ns") == numbers.interval(None, "p90_ns") == ""
    assert numbers.interval(summary, "p99_ns") == "5 ns"
    assert numbers.interval(dict(summarise(run([1] * 500).reaction_ns).as_dict()), "median_ns") == "1 ns"


@pytest.mark.parametrize(
    ("part", "whole", "shown"),
    [(0, 0, "–"), (0, 9, "0 %"), (9, 9, "100 %"), (1, 2, "50 %"), (1, 1000, "0.1 %"), (999_999, 10**6, "99.9999 %"),
     (3, 20_000, "0.02 %"), (1, 10, "10 %")],
)  # fmt: skip
def test_shares(part: int, whole: int, shown: str) -> None:
    assert numbers.share(part, whole) == shown


@given(st.integers(1, 10**9), st.data())
def test_a_share_is_never_rounded_to_all_or_nothing(whole: int, data: st.DataObject) -> None:
    part = data.draw(st.integers(0, whole))
    shown = Decimal(numbers.share(part, whole).removesuffix(" %"))
    assert (shown == 0) == (part == 0)
    assert (shown == 100) == (part == whole)
    # One digit of the smaller side: at most half of its leading digit off.
    exact = Decimal(100 * part) / whole
    assert abs(shown - exact) <= Decimal("0.5001") * min(exact, 100 - exact) or exact in (0, 100)


@given(st.text())
def test_cleaned_names_hold_nothing_that_acts(name: str) -> None:
    shown = numbers.clean(name)
    assert not {unicodedata.category(c) for c in shown} & {"Cc", "Cf", "Cs"}
    assert "\n" not in shown
    assert len(numbers.clean(name, 5)) <= 5


def test_cleaned_names_keep_what_is_harmless() -> None:
    assert numbers.clean("Grüße  an\ndas <Tor>") == "Grüße an das <Tor>"
    assert numbers.clean("abcdefgh", 5) == "abcd…"
    assert numbers.clean(HOSTILE).endswith("<!-- ��[31m")


def test_listing() -> None:
    assert [numbers.listing(p) for p in ([], ["a"], ["a", "b"], ["a", "b", "c"])] == ["", "a", "a and b", "a, b and c"]


def test_units() -> None:
    assert [numbers.unit_for(v) for v in (0, 999, 1000, 2.5e6, 3e9)] == [
        (1, "ns"), (1, "ns"), (1000, "µs"), (10**6, "ms"), (10**9, "s"),
    ]  # fmt: skip


def test_a_share_is_written_without_exponent_and_as_one_in_so_many() -> None:
    assert [numbers.percentage(value) for value in (0.01, 4.44e-05, 1e-5, 0.21633)] == [
        "1 %",
        "0.00444 %",
        "0.001 %",
        "21.6 %",
    ]
    assert numbers.one_in(0.00074865) == "0.0749 % (1 in 1,336)"  # 1 - 0.05 ** (1 / 4000), the rule of three's case
    assert (numbers.one_in(0.216), numbers.one_in(0.0)) == ("21.6 %", "0 %")


def test_rounds_that_were_never_begun_take_one_line() -> None:
    cut = "round 3 of block: incomplete: stopped by the user"
    never = [f"round {number} of block: not measured" for number in (4, 5, 6)]
    assert numbers.rounds_together([cut, *never]) == [cut, "rounds 4 to 6 of block: not measured"]
    assert numbers.rounds_together([never[0], cut, never[2]]) == [cut, "rounds 4 and 6 of block: not measured"]
    assert numbers.rounds_together([cut, never[0]]) == [cut, never[0]]


def test_rounds_that_failed_alike_take_one_line() -> None:
    failed = [f"round {number} of block: failed: no power" for number in (1, 2, 5)]
    other, never = "round 3 of block: failed: no link", "round 4 of block: not measured"
    assert numbers.rounds_together([*failed[:2], other, never, failed[2], "run: cut off"]) == [
        "run: cut off",
        "rounds 1, 2 and 5 of block: failed: no power",
        other,
        never,
    ]
    assert numbers.trouble_counts([*failed, never, "run: cut off"]) == [
        "3 blocks failed: no power",
        "1 block not measured",
        "run: cut off",
    ]


def test_one_stimulus_is_not_spoken_of_as_several() -> None:
    assert numbers.unclear_words(1) == "1 stimulus, since which answer is its own cannot be told"
    assert numbers.unclear_words(1_200).startswith("1,200 stimuli, since which answer is whose")


@pytest.mark.parametrize(
    ("value", "told"),
    [(0.0864, "0.086"), (1.5, "1.5"), (2.0, "2"), (9.96, "10"), (15.2, "15"), (789.0, "790"), (123_456.0, "120,000")],
)
def test_times_as_much_have_two_digits_and_no_exponent(value: float, told: str) -> None:
    assert numbers.times(value) == told
