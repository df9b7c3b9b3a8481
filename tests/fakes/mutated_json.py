"""JSON documents with one thing wrong, chosen by a seed."""

from __future__ import annotations

import copy
import random
from typing import Any

DEEP: Any = "bottom"
for _ in range(28):
    DEEP = [DEEP]
WRONG: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 2**63 - 1, -(2**63), 2**64 - 1, 0.5, 1e308, -1e308, "", "x", "-1", "\x1b[2J", "\ud7ff",
    [], {}, [None], [[]], {"": {}}, {"x": None}, [1, "x"], DEEP, "9" * 5000, ["y"] * 300,
)  # fmt: skip


def mutated(document: dict[str, Any], rng: random.Random) -> dict[str, Any]:
    """A copy in which one value is another, one key is gone, or one is added."""
    found = copy.deepcopy(document)
    places: list[tuple[Any, Any]] = []
    level: list[Any] = [found]
    while level:
        node = level.pop()
        inside = node.items() if isinstance(node, dict) else enumerate(node)
        for key, value in inside:
            places.append((node, key))
            if isinstance(value, dict | list):
                level.append(value)
    if not places:
        return {"x": rng.choice(WRONG)}
    node, key = rng.choice(places)
    if isinstance(node, dict) and rng.random() < 0.2:
        del node[key]
    elif isinstance(node, dict) and rng.random() < 0.1:
        node[f"{key}\x9b"] = node.pop(key)
    else:
        node[key] = copy.deepcopy(rng.choice(WRONG))
    return found
