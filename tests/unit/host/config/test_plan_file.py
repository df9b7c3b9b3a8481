from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgereply.config.bench_file import parse_bench
from edgereply.config.plan_file import load_plan, parse_plan
from edgereply.errors import SettingError
from edgereply.measurement.pace import OPENING_S, RUN_S, Pace
from edgereply.measurement.sweep.conditions import conditions_of_plan, in_words, setups

BENCH: dict[str, Any] = {
    "board": {"gate": {"link": "local", "route": "virtual", "realtime": {"fifo_priority": 40}}},
    "stimulus": {"rate": "500/s", "floor": "500us"},
}
AXES: dict[str, list[Any]] = {
    "route": ["chardev", "gpiod", "sysfs", "virtual", "telegraph"],
    "wait": ["block", "spin", "nap"],
    "rate": ["200/s", "1.5 kHz", "fast", 200],
    "pattern": ["periodic", "uniform", "exponential", ""],
    "fifo_priority": ["none", 1, 99, 100, 0, 1.5, "high"],
    "cpus": ["any", [0], [3, 4], [], [-1], "all", [1, 1]],
}
KEYS = ("repeats", "order_seed", "count", "dwell", "warm_up", "give_up_after", "title", "axes", "speed")
BAD = [
    ({"repeats": 0}, "repeats = '0'"),
    ({"repeat": 3}, "repeat = '3': unknown key"),
    ({"dwell": "10"}, "dwell = '10'.*is not a time"),
    ({"dwell": "0s"}, "above zero"),
    ({"warm_up": 3}, "warm_up = '3'"),
    ({"count": 10, "dwell": "1s"}, "not both"),
    ({"axes": {"rate": ["0/s"]}}, r"axes\.rate\.0 = '0/s'"),
    ({"axes": {"rate": [200]}}, r"axes\.rate\.0 = '200'.*as text"),
    ({"axes": {"wait": ["nap"]}}, r"axes\.wait\.0 = 'nap'.*'block' or 'spin'"),
    ({"axes": {"wait": ["spin", "spin"]}}, "there twice"),
    ({"axes": {"fifo_priority": [100]}}, r"axes\.fifo_priority\.0.*'100'"),
    ({"axes": {"cpus": [[]]}}, r"axes\.cpus"),
    ({"axes": {"volume": [1]}}, r"axes\.volume.*unknown key"),
    ({"repeats": 1000, "axes": {"rate": [f"{n}/s" for n in range(1, 12)]}}, "11,000 blocks are too many"),
]


@pytest.mark.parametrize(("data", "words"), BAD)
def test_a_bad_plan_names_key_value_and_what_is_allowed(data: dict[str, Any], words: str) -> None:
    with pytest.raises(SettingError, match=words) as caught:
        parse_plan(data, "plan.toml")
    assert caught.value.where == "plan.toml"


@given(
    st.dictionaries(
        st.sampled_from(KEYS),
        st.one_of(
            st.integers(-5, 10**12), st.text(max_size=8), st.none(), st.booleans(), st.floats(), st.just({}),
            st.fixed_dictionaries({}, optional={k: st.lists(st.sampled_from(v), max_size=4) for k, v in AXES.items()}),
        ),
    )
)  # fmt: skip
def test_any_plan_is_taken_or_refused_with_its_key(data: dict[str, Any]) -> None:
    try:
        plan = parse_plan(data, "plan.toml")
    except SettingError as error:
        refused = str(error)
    else:
        refused = ""
    if refused:
        assert any(key in refused for key in (*data, "top level"))
        return
    conditions = conditions_of_plan(plan)
    axes = plan.axes.given()
    expected = 1
    for values in axes.values():
        expected *= len(values)
    assert len(conditions) == expected
    assert all(name and "/" not in name and not name.startswith(".") for name in conditions)


@given(st.binary(max_size=60))
def test_any_file_is_taken_or_refused(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    path = tmp_path_factory.mktemp("plans") / "plan.toml"
    path.write_bytes(content)
    refused = str(path)
    try:
        load_plan(path)
    except SettingError as error:
        refused = str(error)
    assert str(path) in refused


def test_a_missing_plan_is_named(tmp_path: Path) -> None:
    with pytest.raises(SettingError, match="cannot be read: No such file"):
        load_plan(tmp_path / "none.toml")


def test_every_value_meets_every_other() -> None:
    plan = parse_plan(
        {
            "axes": {
                "rate": ["200/s", "1 kHz"],
                "cpus": ["any", [2, 3]],
                "fifo_priority": ["none", 50],
                "wait": ["spin"],
            }
        },
        "plan.toml",
    )
    conditions = conditions_of_plan(plan)
    assert len(conditions) == 8
    assert "200_per_s-fifo_50-cpu_2_3" in conditions
    assert in_words(conditions["200_per_s-fifo_50-cpu_2_3"]) == {
        "wait": "spin", "rate": "200/s", "fifo_priority": "50", "cpus": "2+3",
    }  # fmt: skip
    found = setups(BENCH, "bench.toml", plan, conditions)
    asked = found["1_kHz-fifo_none-cpu_any"].bench.board["gate"].realtime
    assert (asked.fifo_priority, asked.cpus) == (None, None)
    asked = found["1_kHz-fifo_50-cpu_2_3"].bench.board["gate"].realtime
    assert (asked.fifo_priority, asked.cpus) == (50, [2, 3])
    assert found["1_kHz-fifo_none-cpu_any"].bench.stimulus.rate == 1_000_000
    assert BENCH["board"]["gate"]["realtime"] == {"fifo_priority": 40}


def test_two_ways_to_write_one_name_are_refused() -> None:
    plan = parse_plan({"axes": {"board": ["a b", "a_b"]}}, "plan.toml")
    with pytest.raises(SettingError, match="same name 'a_b'"):
        conditions_of_plan(plan)


def test_an_unknown_board_is_named_with_its_condition() -> None:
    plan = parse_plan({"axes": {"board": ["gate", "crane"]}}, "plan.toml")
    with pytest.raises(SettingError, match=r"condition crane: .*no board 'crane'"):
        setups(BENCH, "bench.toml", plan, conditions_of_plan(plan))


def test_axes_that_would_change_nothing_are_refused() -> None:
    bench = {"board": {"gate": {"responder": "external"}}}
    parse_bench(bench, "bench.toml")
    plan = parse_plan({"axes": {"wait": ["block", "spin"]}}, "plan.toml")
    with pytest.raises(SettingError, match="wait would change nothing"):
        setups(bench, "bench.toml", plan, conditions_of_plan(plan))


def test_a_block_and_its_warm_up_have_their_lengths() -> None:
    plan = parse_plan({"dwell": "2s", "warm_up": "500ms", "axes": {"rate": ["100/s", "1000/s"]}}, "plan.toml")
    found = setups(BENCH | {"stimulus": {"count": 7}}, "bench.toml", plan, conditions_of_plan(plan))
    lengths = {}
    for name, setup in found.items():
        assert setup.warm_up is not None
        lengths[name] = (setup.warm_up.stimulus.stimuli, setup.bench.stimulus.stimuli)
    assert lengths == {"100_per_s": (50, 200), "1000_per_s": (500, 2000)}


def test_the_estimate_learns_from_the_blocks() -> None:
    plan = parse_plan({"dwell": "2s", "axes": {"rate": ["100/s"]}}, "plan.toml")
    (setup,) = setups(BENCH, "bench.toml", plan, conditions_of_plan(plan)).values()
    pace = Pace()
    assert pace.total_s([setup] * 3) == pytest.approx(3 * (2 + RUN_S) + OPENING_S)
    for took_s in (5.0, 3.0, 9.0):
        pace.learn(setup, took_s)
    assert pace.total_s([setup] * 3) == pytest.approx(3 * 5.0)
    assert pace.total_s([]) == 0
