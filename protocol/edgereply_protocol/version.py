"""Protocol versions: what this package speaks and how it came about.

The rule. Each greeting names the oldest and newest version its end speaks; the link uses the newest that both do, and
where there is none, each end refuses and says which one to update. `Hello` itself and the frame around it never change.
Within one version, JSON keys that an end does not know are ignored, so that results may gain some; a message type or a
setting that it does not know is refused in words, as leaving it out would change what is measured. So a new setting is
sent only where it differs from what an agent without it does, and only a new message, or a changed meaning, is a new
version.
"""

from __future__ import annotations

from .errors import RemoteError, VersionMismatch

NEWEST = 2
OLDEST = 1

HISTORY = {1: "first version", 2: "Traced: events of the kernel beside late answers"}


def negotiate(oldest: int, newest: int, peer: str = "the far end", own: str = "this end") -> int:
    """Pick the highest version both ends speak.

    Args:
        oldest: oldest version the peer accepts.
        newest: newest version the peer speaks.
        peer, own: what the two ends are called in errors.

    Returns:
        The version to use.

    Raises:
        RemoteError: the peer's range is no range.
        VersionMismatch: the ranges do not overlap; it says which end to update.
    """
    if not 1 <= oldest <= newest:
        raise RemoteError(f"the peer claims protocol versions {oldest} to {newest}, which is no range")
    chosen = min(newest, NEWEST)
    if chosen < max(oldest, OLDEST):
        peer_is_older = newest < OLDEST
        raise VersionMismatch(
            f"{peer} speaks protocol versions {oldest} to {newest}, {own} {OLDEST} to {NEWEST}: "
            f"update {peer if peer_is_older else own}",
            peer_is_older,
        )
    return chosen
