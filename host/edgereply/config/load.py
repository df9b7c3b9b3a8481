"""Load on the board as people write it: "cpu=2, memory=64M, storage=16M, network, duty=50%"."""

import re
from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel, ConfigDict, Field

NONE = "none"
HOW = "write it like 'cpu=2, memory=64M, storage=16M, network=1, duty=50%', any of them, or 'none'"
_KEYS = {"cpu": "cpu", "memory": "memory_bytes", "storage": "storage_bytes", "network": "network"}
_MIB = 1 << 20
_UNITS = {"M": _MIB, "MiB": _MIB, "G": _MIB << 10, "GiB": _MIB << 10}
_SIZE = re.compile(rf"(\d{{1,6}})\s*({'|'.join(_UNITS)})")


class Load(BaseModel):
    """Load that the agent makes during a run.

    `cpu` and `network` are numbers of processes; `duty_percent` is the share of its time that each is at work.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    cpu: int = Field(default=0, ge=0, le=64)
    memory_bytes: int = Field(default=0, ge=0, le=1 << 40)
    storage_bytes: int = Field(default=0, ge=0, le=1 << 30)
    network: int = Field(default=0, ge=0, le=16)
    duty_percent: int = Field(default=100, ge=1, le=100)

    @property
    def any(self) -> bool:
        """Whether there is any."""
        return any(getattr(self, key) for key in _KEYS.values())


def parse_load(text: str) -> Load:
    """Read a load.

    Raises:
        ValueError: anything else than `HOW` says; the text says what is wrong.
    """
    if text.strip() in (NONE, ""):
        return Load()
    found: dict[str, int] = {}
    for part in text.split(","):
        name, equals, value = (word.strip() for word in part.partition("="))
        key = {**_KEYS, "duty": "duty_percent"}.get(name)
        if key is None or key in found or (equals and not value):
            raise ValueError(f"{part.strip()!r} is no load, or is there twice: {HOW}")
        found[key] = _amount(name, value)
    load = Load(**found)
    if not load.any:
        raise ValueError(f"{text!r} makes no load: {HOW}")
    return load


def kinds(load: Load) -> list[str]:
    """Kinds of load that are made: cpu, memory, storage, network."""
    return [name for name, key in _KEYS.items() if getattr(load, key)]


def load_words(load: Mapping[str, Any] | None) -> str:
    """A load as text that `parse_load` reads; from a record's settings, requested or in effect."""
    load = load or {}
    parts = [f"{name}={_written(key, load[key])}" for name, key in _KEYS.items() if load.get(key)]
    if parts and load.get("duty_percent", 100) != 100:
        parts.append(f"duty={load['duty_percent']}%")
    return ", ".join(parts) or NONE


def load_caution(load: Mapping[str, Any] | None) -> str:
    """What to mind where the agent made load; "" where it made none."""
    words = load_words(load)
    if words == NONE:
        return ""
    wear = " Storage load wears flash memory out." if (load or {}).get("storage_bytes") else ""
    return (
        f"The agent made load ({words}) at the lowest priority, gentler than a program of your own would be. "
        f"A board under load gets hot: watch its temperature.{wear}"
    )


def _amount(name: str, value: str) -> int:
    if name in ("memory", "storage"):
        match = _SIZE.fullmatch(value)
        if not match:
            raise ValueError(f"{name}={value}: write a size such as 64M or 1G")
        return _within(name, int(match[1]) * _UNITS[match[2]])
    if name == "duty":
        value = value.removesuffix("%").rstrip()
    elif not value:
        value = "1"
    if not re.fullmatch(r"\d{1,6}", value, re.ASCII):
        raise ValueError(f"{name}={value}: write a whole number")
    return _within(name, int(value))


def _within(name: str, amount: int) -> int:
    low, high, words = {
        "cpu": (1, 64, "1 to 64 processes"),
        "network": (1, 16, "1 to 16 processes"),
        "memory": (_MIB, 1 << 40, "1M to 1048576M"),
        "storage": (_MIB, 1 << 30, "1M to 1G"),
        "duty": (1, 100, "1% to 100%"),
    }[name]
    if not low <= amount <= high:
        raise ValueError(f"{name} must be {words}")
    return amount


def _written(key: str, amount: int) -> str:
    return f"{amount // _MIB}M" if key.endswith("_bytes") else str(amount)
