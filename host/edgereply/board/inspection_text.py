"""What a board's environment means for its reaction times, in lines that people read."""

import re
from collections.abc import Callable, Mapping
from typing import Any, Final

from edgereply.wording.numbers import clean

UNKNOWN: Final = "unknown"
NONE: Final = "none"
# Kernel documentation, hwmon/sysfs-interface: thousandths of °C, V and A, millionths of W.
_HWMON: Final = {"temp": (1e3, "°C"), "in": (1e3, "V"), "curr": (1e3, "A"), "power": (1e6, "W")}


def environment_lines(facts: Mapping[str, Any]) -> list[str]:
    """The facts that decide how quickly a board answers; `inspect --json` has every one.

    Args:
        facts: as an agent of any version reports them; what is missing or unreadable is said to be so.

    Returns:
        A line each, label and words.
    """
    return [f"  {label:<20}{clean(_safely(words, facts))}" for label, words in _LINES]


def _safely(words: Callable[[Mapping[str, Any]], str], facts: Mapping[str, Any]) -> str:
    try:
        return words(facts) or UNKNOWN
    except (LookupError, TypeError, ValueError, AttributeError):
        return UNKNOWN


def _model(facts: Mapping[str, Any]) -> str:
    name = facts.get("model") or UNKNOWN
    return f"{name} (VIRTUAL: {facts.get('virtual_why')})" if facts.get("virtual") else str(name)


def _preemption(facts: Mapping[str, Any]) -> str:
    found = facts["preemption"]
    mode = f", now {found['dynamic_mode']}" if found.get("dynamic_mode") else ""
    return f"{found['model']}{mode}, {'real-time kernel' if found.get('realtime') else 'no real-time kernel'}"


def _processors(facts: Mapping[str, Any]) -> str:
    kept = [
        f"{word} {facts[key]}"
        for key, word in (("isolated", "isolated"), ("nohz_full", "without tick"))
        if facts.get(key) and facts[key] != "(null)"
    ]
    return f"{facts['cpu_count']} ({facts.get('cpus')}), " + (", ".join(kept) if kept else "none isolated")


def _by_policy(facts: Mapping[str, Any]) -> str:
    governors, khz = facts["governor"], facts["frequency_khz"]
    return ", ".join(
        f"{name}: {governor}" + (f", {khz[name] / 1000:,.0f} MHz" if khz.get(name) else "")
        for name, governor in governors.items()
    ) or UNKNOWN  # fmt: skip


def _rights(facts: Mapping[str, Any]) -> str:
    limits = facts["limits"]
    if limits["user_id"] == 0:
        return "root"
    priority, memory = limits["rtprio"][0], limits["memlock_bytes"][0]
    up_to = "SCHED_FIFO up to 99" if priority < 0 else f"SCHED_FIFO up to {priority}" if priority else "no SCHED_FIFO"
    locked = "all memory" if memory < 0 else f"{memory / 2**20:,.0f} MiB of memory"
    return f"{up_to}, may lock {locked} (limits rtprio and memlock)"


def _throttle(facts: Mapping[str, Any]) -> str:
    found = facts["realtime_throttling"]
    if found["runtime_us"] is not None and found["runtime_us"] < 0:
        return "off: a real-time process that spins can starve this board"
    return f"on: {found['runtime_us'] / 1000:g} ms in each {found['period_us'] / 1000:g} ms"


def _memory(facts: Mapping[str, Any]) -> str:
    found = facts["memory_kb"]
    return f"{found['MemAvailable'] // 1024:,} MiB free of {found['MemTotal'] // 1024:,} MiB"


def _degrees(facts: Mapping[str, Any]) -> str:
    return ", ".join(f"{name} {value / 1000:.1f} °C" for name, value in facts["temperatures_mc"].items()) or "no sensor"


def _power(facts: Mapping[str, Any]) -> str:
    words = []
    for name, value in facts["power"].items():
        kind = re.search(r" (temp|in|curr|power)\d+_(?:input|average)$", name)
        size, unit = _HWMON[kind[1]] if kind else (1, "")
        words.append(f"{name} {value / size:.4g} {unit}".strip())
    return ", ".join(words) or "no sensor"


def _words(facts: Mapping[str, Any]) -> str:
    return " ".join(f"{name}={value}" if value else name for name, value in facts["kernel_words"].items()) or NONE


_LINES: Final[tuple[tuple[str, Callable[[Mapping[str, Any]], str]], ...]] = (
    ("board", _model),
    ("kernel", lambda facts: f"{facts['kernel']} {facts['machine']}"),
    ("preemption model", _preemption),
    ("timer frequency", lambda facts: f"{facts['hz']} Hz" if facts["hz"] else UNKNOWN),
    ("kernel command line", _words),
    ("clock source", lambda facts: str(facts["clocksource"] or "")),
    ("processors", _processors),
    ("governor", _by_policy),
    ("idle states", lambda facts: ", ".join(filter(None, facts["idle_states"])) or "none seen"),
    ("rights", _rights),
    ("real-time throttle", _throttle),
    ("temperatures", _degrees),
    ("power and voltages", _power),
    ("memory", _memory),
    ("load average", lambda facts: " ".join(facts["load"])),
    ("Python", lambda facts: f"{facts['python']} ({facts['python_implementation']})"),
)
