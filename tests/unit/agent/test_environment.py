"""Facts of a board, from a tree of files made for the test, and from none at all."""

from __future__ import annotations

import gzip
import json
from pathlib import Path

import pytest

from edgereply_agent.context import reading
from edgereply_agent.counters import context_switches, counters, cpu_ns, difference, line_interrupts
from edgereply_agent.environment import emulation, facts, kernel_config, preemption

FILES = {
    "proc/device-tree/model": "Reject gate controller\0",
    "proc/stat": "cpu  10 20 30 40 50 60 70 80 0 0\ncpu0 1 2 3\nintr 4711 1 2 3\nctxt 815\n",
    "proc/interrupts": (
        "           CPU0       CPU1\n"
        " 17:         10         20  gpio-bank  17 Edge      edgereply\n"
        " 18:        100        200  gpio-bank  18 Edge      other\n"
        "ERR:          7\n"
    ),
    "proc/cmdline": "console=ttyS0 isolcpus=3 threadirqs nohz_full=3 root=/dev/x\n",
    "proc/meminfo": "MemTotal:        1000 kB\nMemFree: 5 kB\nMemAvailable:     700 kB\n",
    "proc/loadavg": "0.10 0.20 0.30 1/99 1234\n",
    "proc/sys/kernel/sched_rt_period_us": "1000000\n",
    "proc/sys/kernel/sched_rt_runtime_us": "950000\n",
    "sys/devices/system/clocksource/clocksource0/current_clocksource": "arch_sys_counter\n",
    "sys/devices/system/cpu/online": "0-3\n",
    "sys/devices/system/cpu/isolated": "3\n",
    "sys/devices/system/cpu/cpufreq/policy0/scaling_governor": "schedutil\n",
    "sys/devices/system/cpu/cpufreq/policy0/scaling_cur_freq": "1200000\n",
    "sys/class/thermal/thermal_zone0/temp": "48312\n",
    "sys/class/thermal/thermal_zone0/type": "cpu-thermal\n",
    "sys/class/hwmon/hwmon0/name": "supply\n",
    "sys/class/hwmon/hwmon0/power1_input": "2500000\n",
    "sys/class/hwmon/hwmon0/in0_lcrit_alarm": "1\n",
    "sys/class/hwmon/hwmon0/uevent": "x\n",
    "sys/kernel/realtime": "1\n",
    "proc/77/status": "Name:\tx\nvoluntary_ctxt_switches:\t12\nnonvoluntary_ctxt_switches:\t3\n",
}
CONFIG = "CONFIG_HZ_250=y\nCONFIG_HZ=250\n# CONFIG_PREEMPT_NONE is not set\nCONFIG_PREEMPT=y\nCONFIG_NO_HZ_IDLE=y\n"


@pytest.fixture
def root(tmp_path: Path) -> str:
    """A tree."""
    for name, content in FILES.items():
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(content)
    (tmp_path / "proc/config.gz").write_bytes(gzip.compress(CONFIG.encode()))
    return f"{tmp_path}/"


def test_facts_of_a_board(root: str) -> None:
    found = facts(root)
    assert found["model"] == "Reject gate controller"
    assert found["hz"] == 250, "CONFIG_HZ, not SC_CLK_TCK"
    assert found["clocksource"] == "arch_sys_counter"
    assert (found["cpus"], found["isolated"]) == ("0-3", "3")
    assert (found["governor"], found["frequency_khz"]) == ({"policy0": "schedutil"}, {"policy0": 1200000})
    assert found["temperatures_mc"] == {"thermal_zone0 cpu-thermal": 48312}
    assert found["power"] == {"supply power1_input": 2500000, "supply in0_lcrit_alarm": 1}
    assert found["kernel_words"] == {"isolcpus": "3", "threadirqs": True, "nohz_full": "3"}
    assert found["memory_kb"] == {"MemTotal": 1000, "MemAvailable": 700}
    assert found["load"] == ["0.10", "0.20", "0.30"]
    assert found["realtime_throttling"] == {"period_us": 1000000, "runtime_us": 950000}
    assert (found["virtual"], found["virtual_why"]) == (False, "")
    assert json.loads(json.dumps(found, allow_nan=False)) == found


def test_nothing_is_needed(tmp_path: Path) -> None:
    found = facts(f"{tmp_path}/nowhere/")
    assert found["model"] is None
    assert found["hz"] is None
    assert found["temperatures_mc"] == found["power"] == found["governor"] == {}
    assert found["python"].startswith("3.")


@pytest.mark.parametrize(
    ("version", "model", "realtime"),
    [
        ("#1 SMP PREEMPT_RT Debian 6.1", "PREEMPT_RT", True),
        ("#1 SMP PREEMPT_DYNAMIC Debian 6.1", "PREEMPT_DYNAMIC", False),
        ("#1 SMP PREEMPT Thu", "PREEMPT", False),
        ("#1 SMP Thu", "PREEMPT", False),
    ],
)
def test_preemption(tmp_path: Path, version: str, model: str, realtime: bool) -> None:
    """The last kernel names nothing; its configuration does."""
    found = preemption(version, {"CONFIG_PREEMPT": "y"}, f"{tmp_path}/")
    assert (found["model"], found["realtime"]) == (model, realtime)


def test_a_vendors_realtime_file_counts(root: str) -> None:
    assert preemption("#1 SMP PREEMPT", {}, root)["realtime"] is True


def test_configuration_from_boot(tmp_path: Path) -> None:
    (tmp_path / "boot").mkdir()
    (tmp_path / "boot/config-6.1").write_text(CONFIG)
    assert kernel_config("6.1", f"{tmp_path}/") == {
        "CONFIG_HZ": "250",
        "CONFIG_PREEMPT": "y",
        "CONFIG_NO_HZ_IDLE": "y",
    }
    (tmp_path / "proc").mkdir()
    (tmp_path / "proc/config.gz").write_bytes(b"damaged")
    assert kernel_config("6.1", f"{tmp_path}/")["CONFIG_HZ"] == "250"


def test_simulated_chip_is_virtual(tmp_path: Path) -> None:
    device = tmp_path / "sys/devices/platform/gpio-sim.0"
    (device / "gpiochip0").mkdir(parents=True)
    driver = tmp_path / "sys/bus/platform/drivers/gpio-sim"
    driver.mkdir(parents=True)
    (device / "driver").symlink_to(driver)
    bus = tmp_path / "sys/bus/gpio/devices"
    bus.mkdir(parents=True)
    (bus / "gpiochip0").symlink_to(device / "gpiochip0")
    assert "gpio-sim" in emulation(f"{tmp_path}/")


def test_virtual_processor_is_virtual(root: str) -> None:
    Path(root, "proc/cpuinfo").write_text("processor\t: 0\nflags\t\t: fpu vme hypervisor lahf_lm\n")
    assert "hypervisor" in emulation(root)


def test_counters(root: str) -> None:
    found = counters(root)
    assert found["interrupts"] == 4711
    assert found["system_switches"] == 815
    assert found["cpu_ticks"]["softirq"] == 70
    assert found["line_interrupts"] == {"17 gpio-bank 17 Edge edgereply": 30}
    assert line_interrupts(root, "other") == {"18 gpio-bank 18 Edge other": 300}
    assert context_switches(77, root) == {"voluntary": 12, "involuntary": 3}
    assert context_switches(78, root) == {}


def test_processor_time_of_a_process(root: str) -> None:
    # Linux, Documentation/scheduler/sched-stats.rst: run time, waiting time (ns, from memory), timeslices.
    Path(root, "proc/77/schedstat").write_text("123456789 4000 17\n")
    Path(root, "proc/79").mkdir()
    Path(root, "proc/79/schedstat").write_text("unknown\n")
    assert [cpu_ns(pid, root) for pid in (77, 78, 79)] == [123_456_789, 0, 0]


def test_a_reading_has_counters_and_gauges_as_integers(root: str) -> None:
    Path(root, "proc/77/schedstat").write_text("123456789 4000 17\n")
    found = reading({"responder": 77, "gone": 78}, root)
    assert found["count interrupts"] == 4711
    assert found["count responder run ns"] == 123_456_789
    assert found["count responder waited ns"] == 4000
    assert found["count irq 17 gpio-bank 17 Edge edgereply"] == 30
    assert not any("gone" in name for name in found)
    assert any(name.startswith("gauge ") for name in found)
    assert all(type(value) is int for value in found.values())


def test_difference_leaves_out_what_is_not_in_both() -> None:
    assert difference({"a": 1, "b": {"x": 5}}, {"a": 4, "b": {"x": 7, "y": 1}, "c": 9}) == {"a": 3, "b": {"x": 2}}


def test_a_reading_has_memory_load_and_throttling(root: str) -> None:
    files = {
        "sys/devices/system/cpu/cpu0/thermal_throttle/core_throttle_count": "7\n",
        "sys/class/thermal/cooling_device0/type": "cpufreq-cpu0\n",
        "sys/class/thermal/cooling_device0/cur_state": "2\n",
        "sys/class/thermal/cooling_device1/type": "pwm-fan\n",
        "sys/class/thermal/cooling_device1/cur_state": "3\n",
    }
    for name, content in files.items():
        path = Path(root, name)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(content)
    found = reading({}, root)
    assert found["gauge MemAvailable kB"] == 700
    assert found["gauge load milli"] == 100
    assert found["gauge runnable"] == 1
    assert found["count throttle cpu0 core"] == 7
    assert found["gauge slowing cooling_device0 cpufreq-cpu0"] == 2
    assert not any("fan" in name for name in found), "a fan that runs slows nothing down"
    Path(root, "proc/loadavg").write_text("nonsense\n")
    assert "gauge load milli" not in reading({}, root)
