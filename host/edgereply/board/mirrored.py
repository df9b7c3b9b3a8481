"""Did the agent understand what it was asked for: an agent older than a setting would leave it out and say nothing."""

from edgereply_protocol import Json

# Settings that every agent that knows them mirrors in `Configured.in_effect`; the first agents had neither load nor
# a choice of responder.
MIRRORED = {
    "respond": (
        "route", "wait", "hold_ns", "collection", "capacity", "realtime", "dead_man_s", "load", "responder", "trace",
        "hardware_clock",
    ),
    "observe": ("route", "realtime", "load", "trace", "hardware_clock"),
    "stimulate": ("route", "plan"),
    "probe": ("route",),
}  # fmt: skip
# What an agent without the setting does anyway.
_WITHOUT = {"responder": "agent", "wait": "block"}


def not_understood(task: str, settings: Json, in_effect: Json) -> list[str]:
    """Settings that were asked for and are not mirrored."""
    return [name for name in MIRRORED.get(task, ()) if name not in in_effect and _asks(name, settings.get(name))]


def _asks(name: str, value: object) -> bool:
    if name == "load" and isinstance(value, dict):
        return any(amount for kind, amount in value.items() if kind != "duty_percent")
    if name == "trace":
        return value is not None
    return bool(value) and value != _WITHOUT.get(name)
