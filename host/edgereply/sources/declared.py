"""A pulse source of which its owner knows more than its firmware: how good its crystal is, and which one it is."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from edgereply.errors import SourceError
from edgereply.sources.base import PulseSource, SourceBatch, SourceIdentity, StimulusPlan

NO_SERIAL = ("", "0")  # what a source says that was given none (IEEE 488.2, 10.14.3)


class DeclaredSource:
    """Any source, with an identity that the bench file adds to.

    Args:
        source: open and identified.
        tolerance_ppm: of its clock, in place of what it says itself; None leaves that.
        serial_number: the source's; it must be the one it says, if it says one; "" leaves that.
        where: its port, for the error.

    Raises:
        SourceError: the source says another serial number.
    """

    def __init__(self, source: PulseSource, tolerance_ppm: float | None, serial_number: str, where: str) -> None:
        identity = source.identity
        if serial_number and identity.serial not in (*NO_SERIAL, serial_number):
            raise SourceError(
                f"the pulse source here has the serial number {identity.serial!r}, "
                f"the bench file means {serial_number!r}",
                where,
                "connect the source that is meant, or correct serial_number and tolerance_ppm for this one",
            )
        self._source = source
        self._identity = replace(
            identity,
            serial=serial_number or identity.serial,
            tolerance_ppm=identity.tolerance_ppm if tolerance_ppm is None else tolerance_ppm,
        )

    @property
    def identity(self) -> SourceIdentity:
        """Returns: what the instrument and the bench file say together."""
        return self._identity

    def arm(self, plan: StimulusPlan) -> StimulusPlan:
        """As the source does; see `PulseSource.arm`."""
        return self._source.arm(plan)

    def start(self) -> None:
        """As the source does."""
        self._source.start()

    def read(self, timeout_s: float) -> SourceBatch | None:
        """As the source does."""
        return self._source.read(timeout_s)

    def abort(self) -> None:
        """As the source does."""
        self._source.abort()

    def level(self) -> int | None:
        """As the source does."""
        return self._source.level()

    def close(self) -> None:
        """As the source does."""
        self._source.close()

    def __getattr__(self, name: str) -> Any:
        """What only some sources have, such as the wires of a virtual one."""
        return getattr(self._source, name)
