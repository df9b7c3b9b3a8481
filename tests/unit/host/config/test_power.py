"""Power typed in, and logs of USB meters in the layouts they come in."""

from pathlib import Path

import numpy as np
import pytest

from edgereply.config.bench_file import parse_bench
from edgereply.config.power import parse_accuracy, parse_power
from edgereply.errors import SettingError
from edgereply.exchange.imports.power_log import read_power_log
from edgereply.report.tables.context_rows import watts

# 2026-11-26 00:00:00 UTC in Unix time, by date(1): date -u -d 2026-11-26 +%s
MIDNIGHT_S = 1_795_651_200


@pytest.mark.parametrize(
    ("text", "value_uw", "accuracy_uw"),
    [
        ("3.1W±0.1", 3_100_000, 100_000),
        ("3.1 W +- 100mW", 3_100_000, 100_000),
        ("3100mw +/- 50", 3_100_000, 50_000),
        ("2 W ± 2.5 %", 2_000_000, 50_000),
        ("0.5W", 500_000, None),
    ],
)
def test_a_power_is_read_with_its_accuracy(text: str, value_uw: int, accuracy_uw: int | None) -> None:
    found = parse_power(text)
    assert (found.value_uw, found.accuracy_uw) == (value_uw, accuracy_uw)


@pytest.mark.parametrize("text", ["3.1", "3,1W", "0W", "-3W", "3.1W±", "1W±2W", "3.1W±0.1V", "99999W", "NaNW", ""])
def test_what_is_no_power_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"power|between|accuracy"):
        parse_power(text)


def test_a_bench_file_names_the_power_that_is_wrong() -> None:
    board = {"link": "local", "route": "virtual", "power": "3 amps"}
    with pytest.raises(SettingError, match=r"board\.gate\.power = '3 amps'"):
        parse_bench({"board": {"gate": board}}, "bench.toml")


def test_the_accuracy_of_a_meter() -> None:
    assert parse_accuracy("±1%").of(3_000_000) == 30_000
    assert parse_accuracy("50 mW").of(3_000_000) == 50_000
    for text in ("1", "150%", "one per cent"):
        with pytest.raises(ValueError, match="accuracy"):
            parse_accuracy(text)


def test_watts_keep_two_digits_of_the_accuracy() -> None:
    # GUM (JCGM 100:2008) 7.2.6: at most two digits of an uncertainty, the value rounded to match.
    assert watts(3_100_000, 100_000) == "3.10 W ± 0.10 W"
    assert watts(12_500_000, 50_000) == "12.500 W ± 0.050 W"
    assert watts(123_456_789) == "123 W"
    assert watts(45_600) == "0.0456 W"


def log(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "meter.csv"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    "text",
    [
        "time_s,power_w\n0,2\n1,4\n3,4\n",
        "Time (ms),Voltage(V),Current(A)\n0,5,0.4\n1000,5,0.8\n3000,5,0.8\n",
        "Meter 7, firmware 2\n\nElapsed Time [s];Voltage [mV];Current [mA]\n0;5000;400\n1;5000;800\n3;5000;800\n",
        "t\tU\tI\n00:00:00\t5\t0,4\n00:00:01\t5\t0,8\n00:00:03\t5\t0,8\n",
        "seconds;P [mW];note\n0;2000;a\n1;4000;b\n\n3;4000;c\n",
        # A comma in every cell but few between cells: the commas are decimal marks.
        "seconds\tU in V, of the bus\tW\n0,0\t5,1\t2,0\n1,0\t5,2\t4,0\n3,0\t5,3\t4,0\n",
    ],
)
def test_common_layouts_give_the_same_watts(tmp_path: Path, text: str) -> None:
    found = read_power_log(log(tmp_path, text))
    assert found.at_s.tolist() == [0, 1, 3]
    assert found.power_w == pytest.approx([2, 4, 4])
    assert not found.calendar
    # The trapezoid of numpy over the same rows: (1 s · 3 W + 2 s · 4 W) / 3 s.
    assert found.mean_w() == pytest.approx(np.trapezoid([2, 4, 4], [0, 1, 3]) / 3) == pytest.approx(11 / 3)


@pytest.mark.parametrize(
    "time",
    [
        ("2026-11-26T00:00:00Z", "2026-11-26 00:00:01+00:00", "2026/11/26 00:00:03.000Z"),
        (MIDNIGHT_S, MIDNIGHT_S + 1, MIDNIGHT_S + 3),
        (MIDNIGHT_S * 1000, MIDNIGHT_S * 1000 + 1000, MIDNIGHT_S * 1000 + 3000),
    ],
)
def test_calendar_times_are_cut_to_the_run(tmp_path: Path, time: tuple[object, ...]) -> None:
    rows = "".join(f"{at},{power}\n" for at, power in zip(time, (2, 4, 4), strict=True))
    found = read_power_log(log(tmp_path, "timestamp,power\n" + rows))
    assert found.calendar
    assert found.at_s == pytest.approx([MIDNIGHT_S, MIDNIGHT_S + 1, MIDNIGHT_S + 3])
    part = found.between(MIDNIGHT_S + 0.5, MIDNIGHT_S + 5)
    assert part.power_w.tolist() == [4, 4]
    with pytest.raises(SettingError, match="0 rows during the run"):
        found.between(MIDNIGHT_S + 60, MIDNIGHT_S + 90)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "begins with: nothing"),
        ("a meter\nwithout numbers\n", "no table of numbers; it begins with: a meter"),
        ("a,b\n1,2\n", "no heading with a time and watts.*begins with: a, b"),
        ("time,volts\n1,2\n", "no heading"),
        ("time,watts\n0,2\n1,two\n", "line 3 cannot be read: could not convert"),
        ("time,watts\n0,2\nnoon,2\n", "line 3 cannot be read: 'noon' is no time"),
        ("time,watts\n0,2\n1,inf\n", "line 3 .* no number"),
        ("time,watts\n0,2\n1\n", "line 3 .* too few cells"),
        ("time,watts\n5,2\n1,2\n", "line 3: its time '1' does not follow"),
        ("time,watts\n0,2\n2026-11-26,2\n", "line 3: its time"),
        ("time,watts\n0,2\n", "1 rows of no length"),
    ],
)
def test_a_log_that_is_none_says_where(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(SettingError, match=words) as caught:
        read_power_log(log(tmp_path, text))
    assert caught.value.where.endswith("meter.csv")
    assert caught.value.remedy


def test_a_log_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(SettingError, match="cannot be read"):
        read_power_log(tmp_path / "none.csv")
    (tmp_path / "binary.csv").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(SettingError, match="no UTF-8"):
        read_power_log(tmp_path / "binary.csv")
