from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgereply.config.bench_file import load_bench, parse_bench, read_bench
from edgereply.config.overrides import override
from edgereply.errors import SettingError
from edgereply.measurement.assembly import stimulus_plan

GOOD = """
title = "Reject gate"
deadline = "2ms"

[board.gate]
host = "gate-board"
input = "gpiochip0:17"
output = "REJECT_OUT"

[source]
kind = "reference"
port = "/dev/ttyUSB0"

[stimulus]
rate = "200/s"
dwell = "10s"
"""


@pytest.fixture
def bench_file(tmp_path: Path) -> Path:
    path = tmp_path / "bench.toml"
    path.write_text(GOOD)
    return path


def plain(**changes: Any) -> dict[str, Any]:
    data: dict[str, Any] = {"board": {"gate": {"link": "local", "route": "virtual"}}}
    return data | changes


def test_a_bench_file_is_read_into_nanoseconds(bench_file: Path) -> None:
    bench = load_bench(bench_file)
    name, board = bench.pick("")
    assert (name, bench.deadline) == ("gate", 2_000_000)
    assert (board.input.chip, board.input.line) == ("gpiochip0", 17)
    assert (board.output.chip, board.output.line) == ("", "REJECT_OUT")
    assert bench.stimulus.rate == 5_000_000
    assert bench.stimulus.stimuli == 2000


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ('rate = "200/s"', "rate = 200", "stimulus.rate"),
        ('deadline = "2ms"', 'deadline = "soon"', "deadline"),
        ('kind = "reference"', 'kind = "wand"', "source.kind"),
        ('port = "/dev/ttyUSB0"', "", "source"),
        ('host = "gate-board"', 'hosst = "gate-board"', "board.gate.hosst"),
        ('host = "gate-board"', 'host = "-oProxyCommand=x"', "must not start with"),
        ('input = "gpiochip0:17"', "input = 17", "board.gate.input"),
        ('dwell = "10s"', 'dwell = "10s"\ncount = 5', "not both"),
        ('rate = "200/s"', 'rate = "2000/s"', "floor"),
        (
            'rate = "200/s"',
            'rate = "200/s"\nshortest_gap = "2ms"\nlongest_gap = "1ms"',
            "not be longer than 'longest_gap'",
        ),
    ],
)
def test_a_wrong_key_is_named_with_file_and_value(bench_file: Path, old: str, new: str, key: str) -> None:
    bench_file.write_text(GOOD.replace(old, new))
    with pytest.raises(SettingError) as caught:
        load_bench(bench_file)
    assert key in str(caught.value)
    assert str(bench_file) in str(caught.value)
    assert caught.value.exit_code == 2


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('deadline = "2ms"', 'dedline = "2ms"', "dedline = '2ms': unknown key; did you mean 'deadline'?"),
        ('host = "gate-board"', 'hosst = "gate-board"', "unknown key; did you mean 'host'?"),
        ('host = "gate-board"', 'host = "g"\nrealtime = { fifo_prio = 3 }', "did you mean 'fifo_priority'?"),
        ('rate = "200/s"', 'rat = "200/s"', "did you mean 'rate'?"),
        ('host = "gate-board"', 'host = "g"\nzzz = 1', "board.gate.zzz = '1': unknown key; correct"),
    ],
)
def test_a_misspelt_key_is_met_with_the_one_that_was_meant(bench_file: Path, old: str, new: str, said: str) -> None:
    bench_file.write_text(GOOD.replace(old, new))
    with pytest.raises(SettingError) as caught:
        load_bench(bench_file)
    assert said in str(caught.value)


def test_a_forgotten_source_is_not_taken_for_software_wires() -> None:
    board = {"host": "gate", "input": "EYE_IN", "output": "REJECT_OUT"}
    with pytest.raises(SettingError, match=r"no pulse source reaches 'gate'.*write \[source\]"):
        parse_bench({"board": {"gate": board}}, "bench.toml")
    source = {"kind": "reference", "port": "/dev/ttyUSB0"}
    parse_bench({"board": {"gate": board}, "source": source}, "bench.toml")
    parse_bench({"board": {"gate": board | {"source": source}}}, "bench.toml")
    parse_bench(plain(), "bench.toml")


def test_a_file_without_a_board_says_how_one_is_written() -> None:
    with pytest.raises(SettingError, match=r"there is no board.*\[board\.gate\]"):
        parse_bench({"deadline": "2ms"}, "bench.toml")


def test_broken_toml_names_line_and_column(bench_file: Path) -> None:
    bench_file.write_text("title = \n")
    with pytest.raises(SettingError, match=r"line 1, column 9"):
        load_bench(bench_file)


def test_a_missing_file_says_how_to_give_one(tmp_path: Path) -> None:
    with pytest.raises(SettingError, match=r"--bench, or write one.*edgereply demo"):
        load_bench(tmp_path / "none.toml")


def test_an_enormous_file_is_not_read(tmp_path: Path) -> None:
    path = tmp_path / "huge.toml"
    path.write_bytes(b"#" * (2 << 20))
    with pytest.raises(SettingError, match="larger than 64 KiB"):
        read_bench(path)


@given(st.recursive(st.none() | st.booleans() | st.integers() | st.text(max_size=5),
                    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
                    max_leaves=8))  # fmt: skip
def test_any_contents_give_a_bench_or_a_setting_error(board: Any) -> None:
    with pytest.raises(SettingError):
        parse_bench({"board": {"gate": board}, "surprise": board}, "bench.toml")


def test_picking_among_boards_needs_a_known_name() -> None:
    two = {"link": "local", "route": "virtual"}
    bench = parse_bench({"board": {"gate": two, "spare": two}}, "bench.toml")
    assert bench.pick("spare")[0] == "spare"
    with pytest.raises(SettingError, match="--board"):
        bench.pick("")
    with pytest.raises(SettingError, match="gate, spare"):
        bench.pick("other")


def lay(data: dict[str, Any], **options: Any) -> Any:
    parts: dict[str, Any] = {"on_board": {}, "realtime": {}, "stimulus": {}, "top": {}} | options
    return override(data, "bench.toml", "", **parts)


def test_options_replace_what_the_file_says_and_leave_the_file_alone() -> None:
    data = plain(stimulus={"dwell": "10s"})
    bench = lay(data, on_board={"wait": "spin", "route": None}, stimulus={"count": 7}, realtime={"fifo_priority": 20})
    assert bench.board["gate"].wait == "spin"
    assert bench.board["gate"].realtime.fifo_priority == 20
    assert (bench.stimulus.count, bench.stimulus.dwell) == (7, None)
    assert data == plain(stimulus={"dwell": "10s"})


def test_a_faster_rate_brings_the_floor_down_with_it() -> None:
    assert lay(plain(), stimulus={"rate": "2000/s"}).stimulus.floor == 250_000
    assert lay(plain(), stimulus={"rate": "100/s"}).stimulus.floor == 1_000_000


def test_a_wrong_option_is_named() -> None:
    with pytest.raises(SettingError, match=r"board\.gate\.wait = 'doze'"):
        lay(plain(), on_board={"wait": "doze"})


def test_gaps_of_pairs_reach_the_plan_and_are_the_sources_to_choose_where_they_are_left_out() -> None:
    stimulus = {"pattern": "pairs", "shortest_gap": "20us", "longest_gap": "2ms"}
    plan = stimulus_plan(parse_bench(plain() | {"stimulus": stimulus}, "bench.toml").stimulus)
    assert (plan.pattern, plan.shortest_gap_ns, plan.longest_gap_ns) == ("pairs", 20_000, 2_000_000)
    plan = stimulus_plan(parse_bench(plain() | {"stimulus": {"pattern": "pairs"}}, "bench.toml").stimulus)
    assert (plan.shortest_gap_ns, plan.longest_gap_ns) == (0, 0)
