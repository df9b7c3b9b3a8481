"""Headers, numbers and words as IEEE 488.2 and SCPI-99 spell them."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgereply.sources.simulator.grammar import CommandError, duration, integer, keyword, number, spellings, split_unit


def test_spellings() -> None:
    """SCPI-99 volume 1, 6.2.1: the short form, the long form, nothing between; brackets may be left out."""
    assert sorted(spellings("SYSTem:ERRor[:NEXT]?")) == sorted(
        f"{system}:{error}{following}?"
        for system in ("SYST", "SYSTEM")
        for error in ("ERR", "ERROR")
        for following in ("", ":NEXT")
    )
    assert sorted(spellings("[SOURce:]PULSe:PERiod")) == sorted(
        f"{source}{pulse}:{period}"
        for source in ("", "SOUR:", "SOURCE:")
        for pulse in ("PULS", "PULSE")
        for period in ("PER", "PERIOD")
    )
    assert spellings("*IDN?") == ["*IDN?"]


@pytest.mark.parametrize(
    ("unit", "header", "parameters"),
    [
        (" puls:per  5 ms ", "PULS:PER", ["5 ms"]),
        (":OUTP\tON", "OUTP", ["ON"]),
        (":*IDN?", ":*IDN?", []),
        ("*ese 1, 2", "*ESE", ["1", "2"]),
        ("A ,", "A", ["", ""]),
        ("", "", []),
    ],
)
def test_units(unit: str, header: str, parameters: list[str]) -> None:
    assert split_unit(unit) == (header, parameters)


@given(st.integers(-(10**20), 10**20), st.integers(-40, 40))
def test_numbers_are_exact(mantissa: int, exponent: int) -> None:
    assert number(f"{mantissa}E{exponent}") == Fraction(mantissa) * Fraction(10) ** exponent


@pytest.mark.parametrize(
    ("text", "value"),
    [("1", 1), ("+1.25", Fraction(5, 4)), (".5", Fraction(1, 2)), ("5.", 5), ("-2e-1", Fraction(-1, 5))],
)
def test_flexible_numbers(text: str, value: Fraction) -> None:
    assert number(text) == value


@pytest.mark.parametrize(("text", "value"), [("1.4", 1), ("1.5", 2), ("2.5", 3), ("1E3", 1000), ("-0.4", 0)])
def test_rounding(text: str, value: int) -> None:
    assert integer(text) == value


@pytest.mark.parametrize(
    ("text", "value_ns"),
    [("5E-3", 5e6), ("5ms", 5e6), ("5 MS", 5e6), ("62.5us", 62500), ("7 ns", 7), ("2 s", 2e9), ("2e0S", 2e9)],
)
def test_durations(text: str, value_ns: float) -> None:
    assert duration(text) * 10**9 == value_ns


@pytest.mark.parametrize("text", ["", ".", "E5", "5 m", "5 min", "ms", "5x", "fast", "1,2", "5msms", "²", "٣"])
def test_not_durations(text: str) -> None:
    with pytest.raises(CommandError) as caught:
        duration(text)
    assert caught.value.code == -104


def test_a_huge_exponent_costs_nothing() -> None:
    with pytest.raises(CommandError) as caught:
        number("1E99999")
    assert caught.value.code == -222


@pytest.mark.parametrize(("text", "code"), [("MAYBE", -224), ("2", -224), ('"ON"', -104), ("(@1)", -104)])
def test_wrong_words(text: str, code: int) -> None:
    assert keyword("on", {"ON": "1"}) == "1"
    with pytest.raises(CommandError) as caught:
        keyword(text, {"ON": "1"})
    assert caught.value.code == code


@given(st.text(max_size=40))
def test_random_text_only_ever_raises_the_named_error(text: str) -> None:
    codes = set()
    for read in (number, integer, duration):
        try:
            read(text)
        except CommandError as error:
            codes.add(error.code)
    assert codes <= {-104, -222}
