import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgereply.board.translation import responder_settings
from edgereply.config.bench_file import parse_bench
from edgereply.config.load import Load, load_caution, load_words, parse_load
from edgereply.config.plan_file import parse_plan
from edgereply.errors import SettingError
from edgereply.measurement.sweep.conditions import conditions_of_plan, in_words, setups

MIB = 1 << 20
BENCH = {"board": {"gate": {"link": "local", "route": "virtual"}}}


@pytest.mark.parametrize(
    ("text", "load"),
    [
        ("none", Load()),
        ("cpu", Load(cpu=1)),
        ("cpu=2,memory=64M", Load(cpu=2, memory_bytes=64 * MIB)),
        (" storage = 1 GiB , network=3, duty = 50 % ", Load(storage_bytes=1024 * MIB, network=3, duty_percent=50)),
    ],
)
def test_load_is_read(text: str, load: Load) -> None:
    assert parse_load(text) == load


@given(
    st.builds(
        Load,
        cpu=st.integers(0, 64),
        memory_bytes=st.integers(0, 4096).map(lambda size: size * MIB),
        storage_bytes=st.integers(0, 1024).map(lambda size: size * MIB),
        network=st.integers(0, 16),
        duty_percent=st.integers(1, 100),
    )
)
def test_words_are_read_back(load: Load) -> None:
    expected = load if load.any else Load()
    assert parse_load(load_words(load.model_dump())) == expected


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("cpu=0", "1 to 64 processes"),
        ("cpu=65", "1 to 64 processes"),
        ("cpu=two", "a whole number"),
        ("cpu=٢", "a whole number"),
        ("cpu=1,cpu=2", "twice"),
        ("disk=1", "'disk=1' is no load"),
        ("cpu=", "is no load"),
        ("memory=64", "a size such as 64M"),
        ("memory", "a size such as 64M"),
        ("storage=2G", "1M to 1G"),
        ("network=17", "1 to 16"),
        ("cpu,duty=0%", "1% to 100%"),
        ("duty=50%", "makes no load"),
        ("cpu,", "is no load"),
    ],
)
def test_slips_are_explained(text: str, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        parse_load(text)
    with pytest.raises(SettingError, match="load"):
        parse_bench({"board": {"gate": BENCH["board"]["gate"] | {"load": text}}}, "bench.toml")


def test_the_agent_is_asked_for_it() -> None:
    bench = parse_bench({"board": {"gate": BENCH["board"]["gate"] | {"load": "cpu=2,duty=30%"}}}, "bench.toml")
    asked = {"cpu": 2, "memory_bytes": 0, "storage_bytes": 0, "network": 0, "duty_percent": 30}
    assert responder_settings(bench.board["gate"], 100)["load"] == asked


def test_nobody_makes_it_without_an_agent() -> None:
    with pytest.raises(SettingError, match="no agent is there to make 'load'"):
        parse_bench({"board": {"gate": {"responder": "external", "load": "cpu"}}}, "bench.toml")


def test_cautions_name_heat_and_wear() -> None:
    assert load_caution(None) == load_caution({}) == ""
    assert "hot" in load_caution({"cpu": 1})
    assert "wears" not in load_caution({"cpu": 1})
    assert "wears flash memory" in load_caution({"storage_bytes": MIB})


def test_load_and_responder_are_axes_of_a_sweep() -> None:
    plan = parse_plan({"axes": {"load": ["none", "cpu=2, duty=50 %"], "responder": ["agent", "floor"]}}, "plan.toml")
    conditions = conditions_of_plan(plan)
    assert list(conditions) == [
        "agent-load_none", "agent-load_cpu_2_duty_50", "floor-load_none", "floor-load_cpu_2_duty_50",
    ]  # fmt: skip
    assert in_words(conditions["floor-load_cpu_2_duty_50"]) == {"responder": "floor", "load": "cpu=2, duty=50%"}
    ready = setups(BENCH, "bench.toml", plan, conditions)
    assert ready["floor-load_cpu_2_duty_50"].bench.board["gate"].load == Load(cpu=2, duty_percent=50)
    assert ready["floor-load_cpu_2_duty_50"].bench.board["gate"].responder == "floor"
    assert ready["agent-load_none"].bench.board["gate"].load == Load()
    with pytest.raises(SettingError, match="twice"):
        parse_plan({"axes": {"load": ["cpu=1", "cpu"]}}, "plan.toml")
