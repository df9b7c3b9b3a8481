"""Facts of the board."""

from __future__ import annotations

from edgereply_protocol import Json


def context_switches(pid: int, root: str = "/") -> Json:
    """Voluntary and involuntary context switches of a process so far; empty when unknown."""
    found: Json = {}
    try:
        with open(f"{root}proc/{pid}/status") as file:
            for line in file:
                name, _, value = line.partition(":")
                if name.endswith("voluntary_ctxt_switches"):
                    found["involuntary" if name.startswith("non") else "voluntary"] = int(value)
    except (OSError, ValueError):
        return {}
    return found


def facts() -> Json:
    """Facts."""
    return {}
