"""How often a word about two setups is wrong: a short seeded version of `tests.benchmarks.comparison_claims`."""

import math

import pytest

from tests.benchmarks.comparison_claims import CASES, DESIGNS, FACTORS, is_wrong, tallied

REPEATS = 24


@pytest.mark.parametrize("design", ["one sitting each", "three sittings each, 1.5 % between", "8 rounds in turns"])
def test_no_claim_without_a_condition_is_wrong_more_often_than_stated(design: str) -> None:
    wrong = said = 0
    claims = {}
    for name, draw in CASES.items():
        for factor in FACTORS:
            for figure, tally in tallied(draw, DESIGNS[design], factor, 800, REPEATS).items():
                wrong, said = wrong + tally.wrong, said + tally.runs
                claims[name, factor, figure] = tally.claims / max(1, tally.runs)
    # At most 5 %, and four standard deviations.
    assert said > 1_000
    assert wrong <= 0.05 * said + 4 * math.sqrt(0.05 * 0.95 * said)
    # And something is said where it can be: of usual answers that scatter little, on either side of the margin.
    if design != "three sittings each, 1.5 % between":
        assert claims["rare bursts", 1.0, "median_ns"] > 0.7
        assert claims["rare bursts", 1.1, "median_ns"] > 0.7


def test_single_sittings_would_mislead_about_the_setups() -> None:
    """Why a claim of single sittings is about these two, and several sittings are asked for."""
    one = tallied(CASES["rare bursts"], DESIGNS["one sitting each, 1.5 % between"], 1.05, 800, 60)["median_ns"]
    three = tallied(CASES["rare bursts"], DESIGNS["three sittings each, 1.5 % between"], 1.05, 800, 60)["median_ns"]
    assert one.wrong <= 0.05 * 60 + 4 * math.sqrt(0.05 * 0.95 * 60)
    assert one.wrong_of_setups > 0.3 * 60
    assert three.wrong_of_setups <= 0.05 * 60 + 4 * math.sqrt(0.05 * 0.95 * 60)


def test_at_the_margin_either_word_is_wrong() -> None:
    assert [is_wrong(word, 1.05) for word in ("same", "different", "cannot tell")] == [True, True, False]
    assert [is_wrong(word, 1.0) for word in ("same", "different")] == [False, True]
    assert [is_wrong(word, 1 / 1.1) for word in ("same", "different")] == [True, False]
