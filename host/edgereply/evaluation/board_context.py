"""What the board went through during a run: heat, processor frequency, throttling, memory, load and power.

Everything is an integer with its unit in its name, and goes into the record as it is. What nothing was read for is
absent; the words for that are made where it is shown.
"""

import re
from collections.abc import Mapping, Sequence
from typing import Any

from edgereply.config.power import Power
from edgereply.wording.numbers import clean

CounterReading = Mapping[str, int]
Context = dict[str, Any]

_CELSIUS_MC = range(-40_000, 150_001)
_PROCESSOR = re.compile(r"cpu|soc|core|package|pkg|tctl|k10", re.IGNORECASE)
_HEAT = re.compile(r"gauge (thermal_zone\d+( .*)?|.* temp\d+_input)")
_POWER = re.compile(r"gauge .* power\d+_(input|average)")
_KHZ = re.compile(r"gauge policy\d+ kHz")
_ALARM = re.compile(r"gauge .*_alarm")


def context_of(
    readings: Sequence[CounterReading],
    during: CounterReading,
    typed: Power | None = None,
    began_ns: int = 0,
    ended_ns: int = 0,
) -> Context:
    """Sum a run's readings up.

    Args:
        readings: one about each second, by name as the agent gives them.
        during: the reading at the end of the run; empty when there was none.
        typed: the board's power as somebody read it from a meter; used where the board has no sensor.
        began_ns: Unix time of the first stimulus.
        ended_ns: Unix time of the end.
    """
    taken = [*readings, *([during] if during else [])]
    found: Context = {"readings": len(taken), "began_ns": began_ns, "ended_ns": ended_ns}
    sensors = {name: values for name, values in _levels(taken, _HEAT).items() if _is_heat(values)}
    if sensors:
        best = {name: values for name, values in sensors.items() if _PROCESSOR.search(name)} or sensors
        name = max(best, key=lambda one: (max(best[one]), one))
        found["temperature"] = {"sensor": name, "mean_mc": _mean(best[name]), "max_mc": max(best[name])}
    if clocks := [value for values in _levels(taken, _KHZ).values() for value in values]:
        found["frequency"] = {"min_khz": min(clocks), "max_khz": max(clocks)}
    found["throttled"] = _throttled(taken)
    if free := _column(taken, "gauge MemAvailable kB"):
        found["memory"] = {"least_available_kb": min(free)}
    if loads := _column(taken, "gauge load milli"):
        found["load"] = {"mean_milli": _mean(loads), "max_milli": max(loads)}
    if rails := _levels(taken, _POWER):
        name = max(rails, key=lambda one: (_mean(rails[one]), one))
        found["power"] = _power("hwmon", name, rails[name], None) | {"sensors": len(rails)}
    elif typed is not None:
        found["power"] = _power("typed", "", [typed.value_uw], typed.accuracy_uw)
    return found


def pooled(contexts: Sequence[Context]) -> Context:
    """Several runs of one condition as one: means weighted by readings, the highest temperature of all.

    A meter's accuracy is the same error in every run, so the worst one stands; it is not averaged away.
    """
    known = [context for context in contexts if context]
    if not known:
        return {}
    found: Context = {"readings": sum(context.get("readings", 0) for context in known)}
    heat, power = _parts(known, "temperature"), _parts(known, "power")
    if heat:
        found["temperature"] = {
            "sensor": _shared(part["sensor"] for _, part in heat),
            "mean_mc": _weighted([(weight, part["mean_mc"]) for weight, part in heat]),
            "max_mc": max(part["max_mc"] for _, part in heat),
        }
    if power:
        accuracies = [part["accuracy_uw"] for _, part in power]
        found["power"] = {
            "from": _shared(part["from"] for _, part in power),
            "sensor": _shared(part["sensor"] for _, part in power),
            "mean_uw": _weighted([(part["readings"], part["mean_uw"]) for _, part in power]),
            "min_uw": min(part["min_uw"] for _, part in power),
            "max_uw": max(part["max_uw"] for _, part in power),
            "accuracy_uw": None if None in accuracies else max(accuracies),
            "readings": sum(part["readings"] for _, part in power),
        }
        if len(power) < len(known):
            found["power"]["runs_without"] = len(known) - len(power)
    if clocks := _parts(known, "frequency"):
        lows, highs = [part["min_khz"] for _, part in clocks], [part["max_khz"] for _, part in clocks]
        found["frequency"] = {"min_khz": min(lows), "max_khz": max(highs)}
    signs = dict.fromkeys(sign for context in known for sign in context.get("throttled", {}).get("signs", []))
    found["throttled"] = {
        "watched": any(context.get("throttled", {}).get("watched") for context in known),
        "signs": list(signs),
    }
    if memory := _parts(known, "memory"):
        found["memory"] = {"least_available_kb": min(part["least_available_kb"] for _, part in memory)}
    if loads := _parts(known, "load"):
        means = _weighted([(weight, part["mean_milli"]) for weight, part in loads])
        found["load"] = {"mean_milli": means, "max_milli": max(part["max_milli"] for _, part in loads)}
    return found


def _throttled(taken: Sequence[CounterReading]) -> Context:
    """Whether anything was there to tell, and what did."""
    names = dict.fromkeys(name for reading in taken for name in reading)
    signs, watched = [], False
    for name in names:
        values = _column(taken, name)
        if name.startswith("count throttle ") and len(values) > 1:
            watched = True
            if values[-1] > values[0]:
                signs.append(f"{name.removeprefix('count throttle ')} throttled {values[-1] - values[0]} times")
        elif name.startswith("gauge slowing ") or _ALARM.fullmatch(name):
            watched = True
            if max(values) > 0:
                signs.append(f"{name.removeprefix('gauge ')} in {sum(v > 0 for v in values)} of {len(values)} readings")
    return {"watched": watched, "signs": signs}


def _power(origin: str, sensor: str, values: Sequence[int], accuracy_uw: int | None) -> Context:
    return {
        "from": origin,
        "sensor": sensor,
        "mean_uw": _mean(values),
        "min_uw": min(values),
        "max_uw": max(values),
        "accuracy_uw": accuracy_uw,
        "readings": len(values),
    }


def _levels(taken: Sequence[CounterReading], pattern: re.Pattern[str]) -> dict[str, list[int]]:
    names = dict.fromkeys(name for reading in taken for name in reading if pattern.fullmatch(name))
    return {name.removeprefix("gauge "): _column(taken, name) for name in names}


def _column(taken: Sequence[CounterReading], name: str) -> list[int]:
    return [reading[name] for reading in taken if name in reading]


def _is_heat(values: Sequence[int]) -> bool:
    # A sensor that is not connected says something no board survives.
    return all(value in _CELSIUS_MC for value in values)


def _parts(known: Sequence[Context], name: str) -> list[tuple[int, Context]]:
    return [(max(1, context.get("readings", 0)), context[name]) for context in known if name in context]


def _mean(values: Sequence[int]) -> int:
    return round(sum(values) / len(values))


def _weighted(pairs: Sequence[tuple[int, int]]) -> int:
    return round(sum(weight * value for weight, value in pairs) / sum(weight for weight, _ in pairs))


def _shared(values: Any) -> str:
    return " / ".join(dict.fromkeys(values))


def context_notes(context: Mapping[str, Any]) -> list[str]:
    """Where power and temperature come from, and signs of throttling, in sentences."""
    notes = []
    if power := context.get("power"):
        notes.append(_power_note(power))
    if heat := context.get("temperature"):
        notes.append(f"Temperature: sensor {clean(heat['sensor'], 80)}.")
    notes += [f"Throttled: {clean(sign, 120)}." for sign in context.get("throttled", {}).get("signs", [])]
    return notes


def _power_note(power: Mapping[str, Any]) -> str:
    stated = "its accuracy is not stated" if power["accuracy_uw"] is None else "± is the accuracy of the meter"
    if power["from"] == "typed":
        return f"Power: typed in, one reading for the whole board; {stated}."
    if power["from"] == "log":
        whole = ", the whole log, whose clock is its own" if power.get("whole_log") else ""
        return f"Power: {power['readings']} rows of {clean(power['sensor'], 80)}{whole}; {stated}."
    several = f", the largest of {power['sensors']}" if power.get("sensors", 1) > 1 else ""
    return f"Power: sensor {clean(power['sensor'], 80)} of the board{several}; {stated}."
