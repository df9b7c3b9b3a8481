"""Facts of the board that decide how quickly it answers. Read only; whatever is missing is left out or null."""

from __future__ import annotations

import gzip
import os
import platform
import re
import resource
import sys
import time
from typing import Optional

from edgereply_protocol import Json

from .counters import counters
from .files import integer, names, text

BUILT = tuple(f"CONFIG_PREEMPT{mode}" for mode in ("_RT", "", "_LAZY", "_VOLUNTARY", "_NONE"))
RT_WORDS = ("isolcpus", "nohz_full", "rcu_nocbs", "threadirqs", "preempt", "idle", "irqaffinity", "cpuidle.off")
CONFIG = re.compile(r"^(CONFIG_HZ|CONFIG_PREEMPT\w*|CONFIG_NO_HZ\w*|CONFIG_HIGH_RES_TIMERS)=(\S+)$", re.MULTILINE)


def facts(root: str = "/") -> Json:
    """All facts.

    Args:
        root: directory that stands for `/`.

    Returns:
        A JSON object; times in ns, temperatures in m°C, frequencies in kHz, power in uW, memory in kB, as named.
    """
    kernel = os.uname()
    config = kernel_config(kernel.release, root)
    virtual_why = emulation(root)
    return {
        "board_ns": time.monotonic_ns(),
        "python": sys.version.split()[0],
        "python_implementation": platform.python_implementation(),
        "machine": kernel.machine,
        "kernel": kernel.release,
        "kernel_version": kernel.version,
        "model": model(root),
        "virtual": bool(virtual_why),
        "virtual_why": virtual_why,
        "preemption": preemption(kernel.version, config, root),
        "hz": int(config["CONFIG_HZ"]) if config.get("CONFIG_HZ", "").isdigit() else None,
        "kernel_config": config,
        "kernel_words": kernel_words(root),
        "clocksource": text(f"{root}sys/devices/system/clocksource/clocksource0/current_clocksource"),
        **cpus(root),
        **frequency(root),
        "temperatures_mc": temperatures(root),
        "power": power(root),
        "limits": limits(),
        "realtime_throttling": {
            "period_us": integer(f"{root}proc/sys/kernel/sched_rt_period_us"),
            "runtime_us": integer(f"{root}proc/sys/kernel/sched_rt_runtime_us"),
        },
        "memory_kb": memory(root),
        "load": (text(f"{root}proc/loadavg") or "").split()[:3],
        "counters": counters(root),
    }


def model(root: str = "/") -> Optional[str]:
    """The board's name from the device tree, or from the firmware's tables."""
    for path in ("proc/device-tree/model", "sys/firmware/devicetree/base/model"):
        found = text(root + path)
        if found:
            return found
    parts = [text(f"{root}sys/class/dmi/id/{name}") for name in ("sys_vendor", "product_name")]
    return " ".join(part for part in parts if part) or None


def emulation(root: str = "/") -> str:
    """Why times measured here say nothing about hardware; empty where there is no such sign."""
    for name in names(f"{root}sys/bus/gpio/devices"):
        driver = os.path.realpath(f"{root}sys/bus/gpio/devices/{name}/../driver")
        if os.path.basename(driver) in ("gpio-sim", "gpio-mockup"):
            return f"{name} is simulated by the kernel ({os.path.basename(driver)})"
    cpu = text(f"{root}proc/cpuinfo") or ""
    if re.search(r"^flags\s*:.*\bhypervisor\b", cpu, re.MULTILINE):
        return "the processor is a virtual machine's (flag hypervisor)"
    if "qemu" in (model(root) or "").lower() or "linux,dummy-virt" in (
        text(f"{root}proc/device-tree/compatible") or ""
    ):
        return "the board is emulated"
    return ""


def preemption(version: str, config: Json, root: str = "/") -> Json:
    """How far the kernel can be interrupted.

    `model` is what the kernel's version string says (PREEMPT_DYNAMIC is not PREEMPT_RT); a missing
    `/sys/kernel/realtime` proves nothing.
    """
    found = re.search(r"\bPREEMPT(_RT|_DYNAMIC)?\b", version)
    built = [name[7:] for name in BUILT if name in config]
    chosen = re.search(r"\((\w+)\)", text(f"{root}sys/kernel/debug/sched/preempt") or "")
    realtime = text(f"{root}sys/kernel/realtime")
    return {
        "model": found[0] if found else (built[0] if built else "none seen"),
        "config": built,
        "dynamic_mode": chosen[1] if chosen else None,
        "sys_kernel_realtime": realtime,
        "realtime": bool(found and found[0] == "PREEMPT_RT") or realtime == "1",
    }


def kernel_config(release: str, root: str = "/") -> dict[str, str]:
    """The entries of the kernel's configuration that matter for reaction times; empty when it cannot be read.

    The timer frequency is CONFIG_HZ; `sysconf(SC_CLK_TCK)` is another thing.
    """
    content = ""
    try:
        with gzip.open(f"{root}proc/config.gz", "rt", errors="replace") as file:
            content = file.read()
    except (OSError, EOFError):
        for path in (f"boot/config-{release}", f"lib/modules/{release}/config", f"usr/lib/modules/{release}/config"):
            content = text(root + path) or ""
            if content:
                break
    return {name: value for name, value in CONFIG.findall(content) if value != "n"}


def kernel_words(root: str = "/") -> Json:
    """Words of the kernel's command line that matter for reaction times."""
    found: Json = {}
    for word in (text(f"{root}proc/cmdline") or "").split():
        name, _, value = word.partition("=")
        if name in RT_WORDS:
            found[name] = value or True
    return found


def cpus(root: str = "/") -> Json:
    """Which CPUs there are and which are kept free."""
    cpu = f"{root}sys/devices/system/cpu/"
    return {
        "cpus": text(cpu + "online"),
        "cpu_count": os.cpu_count(),
        "isolated": text(cpu + "isolated"),
        "nohz_full": text(cpu + "nohz_full"),
        "idle_states": [text(f"{cpu}cpu0/cpuidle/{name}/name") for name in names(cpu + "cpu0/cpuidle")],
    }


def frequency(root: str = "/") -> Json:
    """Governor and present frequency of each policy."""
    governors: Json = {}
    khz: Json = {}
    base = f"{root}sys/devices/system/cpu/cpufreq"
    for name in names(base):
        if name.startswith("policy"):
            governors[name] = text(f"{base}/{name}/scaling_governor")
            khz[name] = integer(f"{base}/{name}/scaling_cur_freq")
    return {"governor": governors, "frequency_khz": khz}


def temperatures(root: str = "/") -> Json:
    """Temperatures in m°C by zone."""
    found: Json = {}
    base = f"{root}sys/class/thermal"
    for name in names(base):
        value = integer(f"{base}/{name}/temp") if name.startswith("thermal_zone") else None
        if value is not None:
            found[f"{name} {text(f'{base}/{name}/type') or ''}".strip()] = value
    return found


def power(root: str = "/") -> Json:
    """What hwmon knows: temperatures in m°C, voltages in mV, currents in mA, power in uW, alarms 0 or 1."""
    found: Json = {}
    base = f"{root}sys/class/hwmon"
    for device in names(base):
        title = text(f"{base}/{device}/name") or device
        for name in names(f"{base}/{device}"):
            if re.fullmatch(r"(temp|in|curr|power)\d+_(input|average|lcrit_alarm|crit_alarm|alarm)", name):
                value = integer(f"{base}/{device}/{name}")
                if value is not None:
                    found[f"{title} {name}"] = value
    return found


def limits() -> Json:
    """What this user may ask for."""
    rtprio = resource.getrlimit(resource.RLIMIT_RTPRIO) if hasattr(resource, "RLIMIT_RTPRIO") else (0, 0)
    memlock = resource.getrlimit(resource.RLIMIT_MEMLOCK)
    return {"user_id": os.geteuid(), "rtprio": list(rtprio), "memlock_bytes": list(memlock)}


def memory(root: str = "/") -> Json:
    """Memory in kB."""
    found = re.findall(r"^(MemTotal|MemAvailable):\s+(\d+)", text(f"{root}proc/meminfo") or "", re.MULTILINE)
    return {name: int(value) for name, value in found}
