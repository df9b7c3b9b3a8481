"""Protocol versions: what this package speaks and how it came about."""

from __future__ import annotations

from .errors import RemoteError, VersionMismatch

NEWEST = 1
OLDEST = 1

HISTORY = {1: "first version"}


def negotiate(oldest: int, newest: int) -> int:
    """Pick the highest version both ends speak.

    Args:
        oldest: oldest version the peer accepts.
        newest: newest version the peer speaks.

    Returns:
        The version to use.

    Raises:
        RemoteError: the peer's range is no range.
        VersionMismatch: the ranges do not overlap; the text says which end to update.
    """
    if not 1 <= oldest <= newest:
        raise RemoteError(f"the peer claims protocol versions {oldest} to {newest}, which is no range")
    chosen = min(newest, NEWEST)
    if chosen < max(oldest, OLDEST):
        behind = "the peer" if newest < OLDEST else "this end"
        raise VersionMismatch(
            f"the peer speaks protocol versions {oldest} to {newest}, this end {OLDEST} to {NEWEST}: "
            f"update {behind} (deploying the agent again brings both to the same version)"
        )
    return chosen
