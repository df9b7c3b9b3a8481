"""What a board is, in words: every fact with its unit, and nothing that is missing stops the rest."""

from __future__ import annotations

from typing import Any

import pytest

from edgereply.board.inspection_text import environment_lines

# As an agent reports them, on an invented board with sensors.
FACTS: dict[str, Any] = {
    "model": "Gate controller", "virtual": False, "virtual_why": "", "kernel": "6.1.0", "machine": "aarch64",
    "preemption": {"model": "PREEMPT_RT", "config": [], "dynamic_mode": None, "realtime": True}, "hz": 250,
    "kernel_words": {"isolcpus": "3", "threadirqs": ""}, "clocksource": "arch_sys_counter", "cpus": "0-3",
    "cpu_count": 4, "isolated": "3", "nohz_full": "(null)", "idle_states": ["WFI", None, "cpu-sleep"],
    "governor": {"policy0": "schedutil"}, "frequency_khz": {"policy0": 1_500_000},
    "temperatures_mc": {"thermal_zone0 cpu": 48_300},
    "power": {"pmic in1_input": 5_080, "pmic power1_input": 3_100_000, "pmic in1_lcrit_alarm": 0},
    "limits": {"user_id": 1000, "rtprio": [80, 80], "memlock_bytes": [8 << 20, 8 << 20]},
    "realtime_throttling": {"period_us": 1_000_000, "runtime_us": 950_000},
    "memory_kb": {"MemTotal": 1024 * 1024, "MemAvailable": 512 * 1024}, "load": ["0.10", "0.20", "0.30"],
    "python": "3.11.2", "python_implementation": "CPython",
}  # fmt: skip


def said(**changes: Any) -> dict[str, str]:
    lines = environment_lines(FACTS | changes)
    return {line[2:22].strip(): line[22:] for line in lines}


def test_the_facts_stand_there_in_words_with_units() -> None:
    assert said() == {
        "board": "Gate controller",
        "kernel": "6.1.0 aarch64",
        "preemption model": "PREEMPT_RT, real-time kernel",
        "timer frequency": "250 Hz",
        "kernel command line": "isolcpus=3 threadirqs",
        "clock source": "arch_sys_counter",
        "processors": "4 (0-3), isolated 3",
        "governor": "policy0: schedutil, 1,500 MHz",
        "idle states": "WFI, cpu-sleep",
        "rights": "SCHED_FIFO up to 80, may lock 8 MiB of memory (limits rtprio and memlock)",
        "real-time throttle": "on: 950 ms in each 1000 ms",
        "temperatures": "thermal_zone0 cpu 48.3 °C",
        "power and voltages": "pmic in1_input 5.08 V, pmic power1_input 3.1 W, pmic in1_lcrit_alarm 0",
        "memory": "512 MiB free of 1,024 MiB",
        "load average": "0.10 0.20 0.30",
        "Python": "3.11.2 (CPython)",
    }


@pytest.mark.parametrize(
    ("key", "value", "label", "words"),
    [
        ("virtual", True, "board", "VIRTUAL"),
        ("limits", {"user_id": 0, "rtprio": [0, 0], "memlock_bytes": [0, 0]}, "rights", "root"),
        (
            "limits",
            {"user_id": 7, "rtprio": [0, 0], "memlock_bytes": [-1, -1]},
            "rights",
            "no SCHED_FIFO, may lock all",
        ),
        ("realtime_throttling", {"period_us": 10**6, "runtime_us": -1}, "real-time throttle", "off: a real-time"),
        ("isolated", "", "processors", "none isolated"),
        ("temperatures_mc", {}, "temperatures", "no sensor"),
    ],
)
def test_what_one_has_to_know_is_said(key: str, value: object, label: str, words: str) -> None:
    assert words in said(**{key: value})[label]


@pytest.mark.parametrize("damage", [None, "x", 3, [], {}, [1, 2, 3], {"a": None}])
def test_an_agent_of_another_version_stops_no_line(damage: object) -> None:
    whole = said()
    for key in FACTS:
        lines = said(**{key: damage})
        assert list(lines) == list(whole)
        assert all(lines.values())
    assert {environment_lines({})[place][22:] for place in (2, 9, 13)} == {"unknown"}
