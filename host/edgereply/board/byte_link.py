"""What a conversation with a board asks of the stream of bytes under it, wherever that leads."""

from typing import Protocol


class ByteLink(Protocol):
    """A two-way stream of bytes."""

    @property
    def name(self) -> str:
        """What messages call the far end."""

    @property
    def complaints(self) -> str:
        """What the far end wrote to stderr."""

    def read(self, timeout_s: float) -> bytes | None:
        """Bytes, none in time, or None at the end."""

    def write(self, data: bytes) -> None:
        """Send bytes or raise LinkError, also when the far end does not take them in time."""

    def close(self, grace_s: float = 5.0) -> int:
        """End the link; exit code of the far end where there is one."""
