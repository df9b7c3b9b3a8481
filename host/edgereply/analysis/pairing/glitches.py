"""Pulses too short to be meant: removed, or counted so that somebody can decide."""

from __future__ import annotations

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Floats


def lasting(at: Floats, rising: Bools, shortest: float) -> Bools:
    """Which edges stay when every level that lasts less than a time is taken out.

    An edge counts when its level lasts, and stands where that level began. Of a contact that bounces, the edge to its
    first lasting level is kept.

    Args:
        at: shape (n,), float64, rising.
        rising: shape (n,), bool; directions alternate.
        shortest: a level must last at least this, same unit; 0 keeps all.

    Returns:
        Shape (n,), bool; the directions of those that stay alternate.
    """
    keep = np.ones(at.size, np.bool_)
    if not at.size or shortest <= 0:
        return keep
    keep[:-1] = np.diff(at) >= shortest
    left = np.flatnonzero(keep)
    # Two lasting levels of one direction in a row were parted by a glitch. The level before the first edge is the
    # other one, and lasts.
    same = np.diff(rising[left], prepend=not rising[0]) == 0
    keep[left[same]] = False
    return keep


def short_pulses(at: Floats, rising: Bools, part: float = 0.05) -> tuple[int, float]:
    """Pulses far shorter than the usual one.

    Args:
        at, rising: as for `lasting`.
        part: shorter than this part of the median high or low level counts, whichever the pulse is.

    Returns:
        How many, and the longest of them (0.0 if none).
    """
    length = np.diff(at)
    found = []
    for high in (True, False):
        mine = length[rising[:-1] == high]
        if mine.size:
            found.append(mine[mine < part * np.median(mine)])
    short = np.concatenate(found) if found else np.empty(0)
    return int(short.size), float(short.max()) if short.size else 0.0
