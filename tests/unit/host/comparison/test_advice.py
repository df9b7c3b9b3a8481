"""What settings change: from conditions that differ in one thing, in words that claim no more than was seen."""

from typing import Any

import numpy as np
import pytest
from scipy import stats

from edgereply.comparison.advice import advise
from edgereply.comparison.contrasts import Contrast, Gain, contrasts, had_effect
from edgereply.comparison.entries import Entry
from edgereply.comparison.permanent_settings import permanent_setting
from edgereply.config.load import parse_load
from edgereply.storage.run_record import RunRecord
from tests.fakes.entries import entry_of
from tests.fakes.records import run_record

Settings = dict[str, dict[str, str]]


def entry(
    name: str, level_ns: int, rounds: int = 10, count: int = 500, missed: int = 0, evidence: str = "joined",
    seed: int = 1,
    context: dict[str, Any] | None = None,
) -> Entry:  # fmt: skip
    """Blocks around a level; what a round does to all conditions alike is there too."""
    noise, drift = np.random.default_rng(seed), np.random.default_rng(99).normal(0, 20_000, rounds)
    blocks = [(level_ns + drift[n] + noise.gamma(2, 4_000, count)).astype(np.int64) for n in range(rounds)]
    if missed:
        blocks[-1] = blocks[-1][: count - missed]
    rows = {"rounds": tuple(range(1, rounds + 1)), "context": context or {}}
    return entry_of(name, blocks, missed=missed, evidence=evidence, virtual=True, changes=rows)


def reader(settings: Settings, denied: str = "") -> Any:
    """Records in which everything took effect, but for a condition whose real-time settings were denied."""

    def read(place: str) -> RunRecord:
        wanted = settings[place]
        realtime = {
            "fifo_priority": None if wanted.get("fifo_priority", "none") == "none" else int(wanted["fifo_priority"]),
            "cpus": None if wanted.get("cpus", "any") == "any" else [int(n) for n in wanted["cpus"].split("+")],
            "hold_cpu_latency": wanted.get("hold_cpu_latency") == "yes",
        }
        return run_record(
            evidence="joined",
            in_effect={
                "wait": wanted.get("wait"), "realtime": {} if place == denied else realtime,
                "responder": wanted.get("responder", "agent"),
                "load": {} if place == denied else parse_load(wanted.get("load", "none")).model_dump(),
            },
            warnings=["SCHED_FIFO priority 50 could not be set (Operation not permitted)"] if place == denied else [],
        )  # fmt: skip

    return read


def found(entries: list[Entry], settings: Settings, denied: str = "") -> list[Contrast]:
    return contrasts(entries, settings, reader(settings, denied))


GRID = {
    f"{wait}-{fifo}": {"wait": wait, "fifo_priority": fifo, "rate": "200/s"}
    for wait in ("block", "spin")
    for fifo in ("none", "50", "80")
}


def test_only_conditions_that_differ_in_one_respect_are_set_against_each_other() -> None:
    items = found([entry(name, 100_000) for name in GRID], GRID)
    pairs = {item.conditions for item in items}
    assert pairs == {
        ("block-none", "spin-none"), ("block-50", "spin-50"), ("block-80", "spin-80"),
        ("block-none", "block-50"), ("block-none", "block-80"), ("spin-none", "spin-50"), ("spin-none", "spin-80"),
    }  # fmt: skip
    assert all(item.elsewhere["rate"] == "200/s" for item in items)
    assert not found([entry(n, 1) for n in ("a", "b")], {"a": {"rate": "1/s"}, "b": {"rate": "2/s"}})


def test_the_gain_and_its_interval_are_those_of_the_rounds_differences() -> None:
    settings = {"none": {"fifo_priority": "none"}, "50": {"fifo_priority": "50"}}
    slow, quick = entry("none", 130_000, seed=1), entry("50", 100_000, seed=2)
    (item,) = found([slow, quick], settings)
    median, p99 = item.gains
    difference = np.array([np.median(a) - np.median(b) for a, b in zip(slow.blocks, quick.blocks, strict=True)])
    # scipy's own order-statistic interval of a median, 95 %.
    ends = stats.quantile_test(difference, p=0.5).confidence_interval(0.95)
    assert median.gain_ns == pytest.approx(np.median(difference), abs=60)
    assert (median.low_ns, median.high_ns) == pytest.approx((ends.low, ends.high), abs=60)
    # scipy's exact permutation of signs: 2 of 1,024 assignments are as extreme, doubled by Holm over two figures.
    p = stats.permutation_test((difference,), np.sum, permutation_type="samples", n_resamples=np.inf).pvalue
    assert median.p_adjusted == pytest.approx(2 * p) == pytest.approx(2 * 2 / 1024)
    assert (median.outcome, p99.outcome) == ("quicker", "quicker")
    text = "\n".join(advise([item], [slow, quick]).lines())
    quicker = f"{median.gain_ns / 1000:.1f} µs quicker"
    assert f"SCHED_FIFO priority 50 instead of no real-time priority\n    median {quicker}" in text
    assert "CPUSchedulingPriority=50" in text
    assert "rtprio  50" in text
    assert "Leave the kernel's real-time throttle on" in text
    assert "qualified engineer" in text
    assert "VIRTUAL" in text


def test_an_interval_with_zero_in_it_bought_nothing_and_nothing_is_said_on_how_to_keep_it() -> None:
    settings = {"any": {"cpus": "any"}, "3": {"cpus": "3"}}
    pair = [entry("any", 100_000, seed=1), entry("3", 100_000, seed=2)]
    advice = advise(found(pair, settings), pair)
    assert [gain.outcome for gain in advice.contrasts[0].gains] == ["nothing measurable"] * 2
    ((head, parts),) = advice.sentences
    assert head == "CPU 3 instead of any CPU"
    assert [part.split(" (")[0] for part in parts] == [f"{f}: no measurable change" for f in ("median", "p99")]
    assert not advice.permanent
    assert "isolcpus" not in "\n".join(advice.lines())


def test_what_cost_time_is_said_and_the_other_way_is_the_one_to_keep() -> None:
    settings = {"block": {"wait": "block"}, "spin": {"wait": "spin"}}
    pair = [entry("block", 100_000), entry("spin", 140_000, seed=2, missed=7)]
    advice = advise(found(pair, settings), pair)
    text = " ".join(advice.as_dict()["sentences"])
    assert "wait spin instead of wait block: median" in text
    assert "slower [" in text
    assert "without an answer 7 of 5,000 stimuli instead of 0 of 5,000" in text
    assert [(item.setting, item.why) for item in advice.permanent] == [("wait block", "quicker in median and p99")]


def test_what_is_quicker_here_and_slower_there_says_both() -> None:
    settings = {"block": {"wait": "block"}, "spin": {"wait": "spin"}}
    block, spin = entry("block", 130_000), entry("spin", 100_000, seed=2)
    for values in spin.blocks:
        values[::50] += 5_000_000
    advice = advise(found([block, spin], settings), [])
    decides = "what the deadline is about decides"
    assert [(item.setting, item.why) for item in advice.permanent] == [
        ("wait spin", f"quicker in median, but slower in p99: {decides}"),
        ("wait block", f"quicker in p99, but slower in median: {decides}"),
    ]


def test_what_depends_on_another_setting_is_not_said_to_be_one_way() -> None:
    """Spinning helps p99 without real-time priority and hurts it with, as the kernel's throttle makes it."""
    settings = {
        f"{wait}-{fifo}": {"wait": wait, "fifo_priority": fifo} for wait in ("block", "spin") for fifo in ("none", "30")
    }
    entries = [entry(name, 130_000 if "block" in name else 100_000, seed=n) for n, name in enumerate(settings)]
    for values in entries[3].blocks:
        values[::50] += 5_000_000
    for values in entries[0].blocks:
        values[::50] += 5_000_000
    kept = {item.setting: item.why for item in advise(found(entries, settings), []).permanent}
    words = "in p99 quicker or slower, as the other settings are: what the deadline is about decides"
    assert kept["wait spin"] == f"quicker in median, {words}"
    assert kept["wait block"] == f"slower in median, {words}"


def test_a_setting_that_did_not_take_effect_is_not_judged() -> None:
    settings = {"none": {"fifo_priority": "none"}, "50": {"fifo_priority": "50"}}
    pair = [entry("none", 130_000), entry("50", 100_000)]
    (item,) = found(pair, settings, denied="50")
    assert not item.gains
    assert "fifo_priority 50 did not take effect, it was none (SCHED_FIFO priority 50 could not be set" in item.why_not
    assert "nothing is concluded" in advise([item], pair).as_dict()["sentences"][0]


def test_times_that_are_not_the_same_thing_are_not_subtracted() -> None:
    settings = {"block": {"wait": "block"}, "spin": {"wait": "spin"}}
    (item,) = found([entry("block", 9_000, evidence="inside"), entry("spin", 100_000)], settings)
    assert "do not measure the same thing" in item.why_not


def test_few_rounds_and_short_blocks_say_so() -> None:
    settings = {"block": {"wait": "block"}, "spin": {"wait": "spin"}}
    (item,) = found([entry("block", 130_000, rounds=4), entry("spin", 100_000, rounds=4)], settings)
    assert [gain.outcome for gain in item.gains] == ["too few rounds"] * 2
    assert "4 rounds give no interval, 6 do" in advise([item], []).as_dict()["sentences"][0]
    (item,) = found([entry("block", 130_000, rounds=6), entry("spin", 100_000, rounds=6)], settings)
    # 2 of 64 sign assignments are as extreme: 1/32, over two figures 1/16.
    assert [gain.outcome for gain in item.gains] == ["not yet certain"] * 2
    assert "run 7 rounds to be sure" in advise([item], []).as_dict()["sentences"][0]
    (item,) = found([entry("block", 1, count=100), entry("spin", 1, count=100)], settings)
    assert [gain.figure for gain in item.gains] == ["median"], "p99 needs more answers than a block has"
    (item,) = found([entry("block", 1, rounds=0), entry("spin", 1, rounds=0)], settings)
    assert item.why_not == "no round has both of them"
    (item,) = found([entry("block", 1, count=3), entry("spin", 1)], settings)
    assert item.why_not == "block has 3 clear answers in round 1, and a median takes 6"


def test_what_was_not_varied_is_left_open() -> None:
    settings = {"block": {"wait": "block"}, "spin": {"wait": "spin"}}
    clock = {"frequency": {"min_khz": 600_000, "max_khz": 1_500_000}}
    pair = [entry("block", 130_000), entry("spin", 100_000, context=clock)]
    text = " ".join(advise(found(pair, settings), pair).open)
    assert "nothing is said about: fifo_priority, cpus, hold_cpu_latency, responder and load" in text
    assert "from 600 to 1,500 MHz; its governor was not varied" in text
    assert advise([], pair).method[0].startswith("No setting of the board was varied alone")


def test_what_load_cost_is_said_by_kind_the_costliest_first_and_is_nothing_to_keep() -> None:
    levels = {"none": 100_000, "network=1": 100_000, "cpu=2": 112_000, "cpu=2, storage=16M": 150_000}
    settings = {load: {"load": load, "wait": "block"} for load in levels}
    sides = [entry(load, level, seed=number) for number, (load, level) in enumerate(levels.items())]
    advice = advise(found(sides, settings), sides)
    ((title, sentences),) = advice.sections
    assert title == "What each load costs"
    said = dict(sentences)
    assert list(said) == [
        f"load {load} instead of no load (wait block)" for load in ("cpu=2, storage=16M", "cpu=2", "network=1")
    ]
    both, cpu, network = said.values()
    gain = next(item for item in advice.contrasts if item.value == "cpu=2").gains[0]
    # The levels are 12 µs apart, and the median of a round is known to a few hundred ns.
    assert -gain.gain_ns == pytest.approx(12_000, abs=600)
    assert gain.low_ns is not None
    assert gain.high_ns is not None
    assert cpu[0].startswith(f"median {-gain.gain_ns / 1000:.1f} µs slower [{-gain.high_ns / 1000:.1f} µs to ")
    assert [part.split(" (")[0] for part in network] == [f"{f}: no measurable change" for f in ("median", "p99")]
    assert both[-1] == "several kinds at once are not told apart: vary each alone"
    assert "not told apart" not in " ".join([*cpu, *network])
    assert not advice.permanent
    assert "the costliest first" in " ".join(advice.method)
    assert "costliest" not in " ".join(advise(found(sides[:2], settings), sides).method)


def test_load_that_was_not_granted_is_not_judged() -> None:
    settings = {"none": {"load": "none"}, "cpu=2": {"load": "cpu=2"}}
    (item,) = found([entry("none", 100_000), entry("cpu=2", 130_000)], settings, denied="cpu=2")
    assert item.why_not.startswith("load cpu=2 did not take effect, it was none")


def test_what_the_runtime_takes_beside_the_kernel() -> None:
    settings = {"agent": {"responder": "agent"}, "floor": {"responder": "floor"}}
    sides = [entry("agent", 120_000), entry("floor", 115_000, seed=2)]
    advice = advise(found(sides, settings), sides)
    ((title, ((head, parts),)),) = advice.sections
    assert title == "What the runtime takes beside the kernel"
    assert head == "the floor (C) instead of the agent (Python)"
    assert "quicker [" in parts[0]
    assert "the runtime's own time" in parts[-1]
    assert "floor.c" in advice.permanent[0].lines[0]
    same = [sides[0], entry("floor", 120_000, seed=2)]
    ((_, parts),) = advise(found(same, settings), same).sentences
    assert [part.split(" (")[0] for part in parts] == [f"{f}: no measurable difference" for f in ("median", "p99")]


def test_settings_and_load_stand_under_headings_of_their_own() -> None:
    settings = {
        f"{wait}-{load}": {"wait": wait, "load": load} for wait in ("block", "spin") for load in ("none", "cpu=1")
    }
    sides = [entry(name, 100_000, seed=number) for number, name in enumerate(settings)]
    advice = advise(found(sides, settings), sides)
    assert [title for title, _ in advice.sections] == ["What each setting changes", "What each load costs"]
    lines = advice.lines()
    place = lines.index("What each load costs")
    assert lines[0] == "What each setting changes"
    assert [line.startswith("  load cpu=1 instead of no load") for line in lines[place + 1 : place + 2]] == [True]


@pytest.mark.parametrize(
    ("axis", "value", "words"),
    [
        ("cpus", "2+3", ["CPUAffinity=2 3", "isolcpus=2,3", "starves"]),
        ("hold_cpu_latency", "yes", ["/dev/cpu_dma_latency", 'GROUP="gpio"', "cpuidle.off=1", "hotter"]),
        ("fifo_priority", "80", ["CPUSchedulingPriority=80", "priority 50"]),
        ("wait", "spin", ["one core", "throttle"]),
        ("route", "sysfs", ["obsolete"]),
        ("cpus", "any", ["Nothing to do"]),
    ],
)
def test_how_to_keep_it(axis: str, value: str, words: list[str]) -> None:
    item = permanent_setting(axis, value)
    text = " ".join([*item.lines, *item.cautions])
    assert all(word in text for word in words)


def test_effect_in_the_words_of_a_condition() -> None:
    wanted = {"x": {"fifo_priority": "50", "cpus": "2+3", "hold_cpu_latency": "yes", "wait": "spin"}}
    record = reader(wanted)("x")
    assert {axis: had_effect(record, axis) for axis in wanted["x"]} == wanted["x"]
    assert had_effect(reader({"y": {}})("y"), "cpus") == "any"


def test_a_gain_knows_its_outcome() -> None:
    def outcome(low: int, high: int, p: float, matters: float = 0.0) -> str:
        gain = Gain(
            figure="p99", before_ns=9, gain_ns=(low + high) // 2, low_ns=low, high_ns=high, p_adjusted=p, rounds=8,
            matters=matters,
        )  # fmt: skip
        return gain.outcome

    assert outcome(1, 9, 0.04) == "quicker"
    assert outcome(-9, -1, 0.04) == "slower"
    assert outcome(1, 9, 0.06) == "not yet certain"
    assert outcome(0, 9, 0.001) == outcome(-9, 0, 0.001) == "nothing measurable"
    # 5 of 9 are 55 %: beyond that in part is quicker, within it on either side is too small.
    assert outcome(1, 9, 0.04, 0.5) == "quicker"
    assert outcome(1, 4, 0.04, 0.5) == outcome(-4, -1, 0.04, 0.5) == "too small to matter"
    assert outcome(1, 4, 0.06, 0.5) == "not yet certain"


def test_a_sure_change_that_is_too_small_to_matter_is_said_and_not_advised() -> None:
    settings = {"none": {"fifo_priority": "none"}, "50": {"fifo_priority": "50"}}
    pair = [entry("none", 102_000, seed=1), entry("50", 100_000, seed=2)]
    any_change = advise(contrasts(pair, settings, reader(settings)), pair)
    assert any_change.permanent
    said = advise(contrasts(pair, settings, reader(settings), 0.05), pair)
    assert said.contrasts[0].gains[0].outcome == "too small to matter"
    assert said.sentences[0][1][0].endswith(": less than 5 %, too small to matter")
    assert not said.permanent
