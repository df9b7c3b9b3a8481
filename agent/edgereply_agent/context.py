"""What else went on, read once a second beside the counts: cheap, and by the session, never by the responder."""

from __future__ import annotations

from edgereply_protocol import Json

from .counters import counters
from .environment import frequency, memory, power, temperatures
from .files import integer, names, text

MOST_INTERRUPTS = 64
SLOWING = ("cpufreq", "processor", "cpuidle")


def reading(pids: dict[str, int], root: str = "/") -> Json:
    """Counters and gauges now, flat: `count …` only ever grow, `gauge …` go up and down; all integers.

    Args:
        pids: process number by name, of the processes to look at.
    """
    found: Json = {}
    system = counters(root)
    for name in ("interrupts", "system_switches"):
        if name in system:
            found[f"count {name.replace('_', ' ')}"] = system[name]
    for name, ticks in system.get("cpu_ticks", {}).items():
        found[f"count cpu {name}"] = ticks
    found.update(interrupt_sources(root))
    found.update({f"count throttle {name}": value for name, value in throttle_counts(root).items()})
    for name, pid in pids.items():
        run = (text(f"{root}proc/{pid}/schedstat") or "").split()
        if len(run) == 3 and all(word.isdigit() for word in run):
            found[f"count {name} run ns"], found[f"count {name} waited ns"] = int(run[0]), int(run[1])
    gauges = {
        **{f"{k} kHz": v for k, v in frequency(root)["frequency_khz"].items()},
        **temperatures(root),
        **power(root),
        **{f"slowing {name}": value for name, value in slowing(root).items()},
        **{f"{name} kB": value for name, value in memory(root).items() if name == "MemAvailable"},
        **load(root),
    }
    found.update({f"gauge {name}": value for name, value in gauges.items() if isinstance(value, int)})
    return found


def throttle_counts(root: str = "/") -> Json:
    """How often processors were slowed down so far because they were hot, where the processor counts it."""
    base = f"{root}sys/devices/system/cpu"
    found: Json = {}
    for cpu in names(base):
        for kind in ("core", "package"):
            value = integer(f"{base}/{cpu}/thermal_throttle/{kind}_throttle_count")
            if value is not None:
                found[f"{cpu} {kind}"] = value
    return found


def slowing(root: str = "/") -> Json:
    """By how many steps the kernel slows processors down now to cool them; 0 is not at all."""
    base = f"{root}sys/class/thermal"
    found: Json = {}
    for name in names(base):
        kind = text(f"{base}/{name}/type") or ""
        if name.startswith("cooling_device") and any(word in kind.lower() for word in SLOWING):
            state = integer(f"{base}/{name}/cur_state")
            if state is not None:
                found[f"{name} {kind}"] = state
    return found


def load(root: str = "/") -> Json:
    """Load average of the last minute in thousandths, and how many tasks can run now."""
    words = (text(f"{root}proc/loadavg") or "").split()
    try:
        return {"load milli": round(float(words[0]) * 1000), "runnable": int(words[3].partition("/")[0])}
    except (IndexError, ValueError, OverflowError):
        return {}


def interrupt_sources(root: str = "/") -> Json:
    """Interrupts so far by source, over all CPUs; the busiest ones."""
    lines = (text(f"{root}proc/interrupts") or "").splitlines()
    totals: dict[str, int] = {}
    for line in lines[1:]:
        number, _, rest = line.partition(":")
        words = rest.split()
        width = min(lines[0].count("CPU"), len(words))
        if width and all(word.isdigit() for word in words[:width]):
            name = f"count irq {number.strip()} {' '.join(words[width:])[:60]}".strip()
            totals[name] = sum(map(int, words[:width]))
    busiest = sorted(totals, key=lambda name: -totals[name])[:MOST_INTERRUPTS]
    return {name: totals[name] for name in busiest if totals[name]}
