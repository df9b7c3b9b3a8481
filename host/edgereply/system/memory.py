"""Whether a run that is taken whole fits into memory: asked before, since the system would end somebody else's work."""

from __future__ import annotations

from pathlib import Path

from edgereply.errors import HostError

# `explain` of 10,000,000 stimuli with all columns, the most of any command (`tests/benchmarks/long_run.py`).
BYTES_A_STIMULUS = 215
# Fits everywhere: not worth asking.
SMALL = 2_000_000
_MEMINFO = Path("/proc/meminfo")


def check_fits(stimuli: int, where: str) -> None:
    """Refuse a run that this computer cannot hold now.

    Args:
        stimuli: of the run.
        where: its directory.

    Raises:
        HostError: more is needed than is free.
    """
    needed, free = stimuli * BYTES_A_STIMULUS, available()
    if stimuli > SMALL and free is not None and needed > free:
        raise HostError(
            f"{stimuli:,} stimuli at once take about {needed / 2**30:.1f} GiB of memory, {free / 2**30:.1f} are free",
            where=where,
            remedy="judge it with 'edgereply verdict --by-pieces', export its raw stamps, or use a larger computer",
        )


def available() -> int | None:
    """Bytes that can be had without swapping; None where the system does not say (it does on Linux)."""
    try:
        lines = dict(line.split(":", 1) for line in _MEMINFO.read_text(encoding="ascii").splitlines())
        return int(lines["MemAvailable"].split()[0]) * 1024
    except (OSError, ValueError, KeyError, IndexError):
        return None
