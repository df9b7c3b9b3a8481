"""Several questions at once: keeping the chance of any false claim at the stated level."""

from __future__ import annotations

from collections.abc import Sequence


def holm(p_values: Sequence[float]) -> list[float]:
    """Adjust p-values so that comparing each with 5 % keeps the family's error at 5 %.

    Args:
        p_values: one for each question, 0 to 1, any order, in any dependence.

    Returns:
        Adjusted p-values in the same order, never smaller than the given ones.

    Raises:
        ValueError: a value outside 0 to 1.

    Source: Holm, S. (1979), Scandinavian Journal of Statistics 6, 65-70.
    """
    if any(not 0.0 <= p <= 1.0 for p in p_values):
        raise ValueError(f"p-values lie within 0 to 1, got {list(p_values)}")
    adjusted = [0.0] * len(p_values)
    floor = 0.0
    for done, place in enumerate(sorted(range(len(p_values)), key=p_values.__getitem__)):
        floor = max(floor, min(1.0, (len(p_values) - done) * p_values[place]))
        adjusted[place] = floor
    return adjusted
