"""Whether a period still stands when late answers that come together count once.

The search takes late answers for independent of each other. Bursts at random times are not: a few of them at like
phases of some slow period look like many late answers there. Under a real period each cycle is a visit of its own.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Int64s
from edgereply.analysis.arrays.distributions import binomial_sf
from edgereply.analysis.lateness.fold import inside_window
from edgereply.analysis.lateness.period_search import PeriodFinding, PeriodSearch

_FALSE_ALARM = 0.001
# A window of a given width is looked for at all phases and at several widths.
_WINDOWS_A_CYCLE = 10.0


def stands_by_clusters(stimulus_ns: Int64s, late: Bools, finding: PeriodFinding) -> bool:
    """Judge a finding by visits: late answers less than the window's width apart are one.

    Args:
        stimulus_ns: shape (n,), int64, nanoseconds, rising.
        late: shape (n,), bool.
        finding: of the search on these.

    Returns:
        Whether visits fall into the window more often than chance has it, all periods as long or longer looked at.
    """
    times_ns = stimulus_ns[late] - stimulus_ns[0]
    breaks = np.flatnonzero(np.diff(times_ns) > finding.window.width_ns)
    begins, ends = np.concatenate([[0], breaks + 1]), np.concatenate([breaks, [times_ns.size - 1]])
    # The middle of a visit: its first late answer may lie a hair before where the window was found to begin.
    seconds = (times_ns[begins] + times_ns[ends]) / 2e9
    hits = int(np.count_nonzero(inside_window(seconds, finding.period_ns / 1e9, finding.window, 0.0)))
    cycles = float(stimulus_ns[-1] - stimulus_ns[0]) / finding.period_ns
    trials = max(1.0, cycles) * _WINDOWS_A_CYCLE / finding.window.duty
    return binomial_sf(hits - 1, begins.size, finding.window.duty) * trials <= _FALSE_ALARM


def without_bursts(search: PeriodSearch, stimulus_ns: Int64s, late: Bools) -> PeriodSearch:
    """The same search without findings that do not stand by visits; what they caught is unexplained again.

    Args:
        search: made on these stimuli.
        stimulus_ns: shape (n,), int64, nanoseconds, rising.
        late: shape (n,), bool.
    """
    kept = tuple(found for found in search.findings if stands_by_clusters(stimulus_ns, late, found))
    if len(kept) == len(search.findings):
        return search
    left, seconds = late.copy(), (stimulus_ns - stimulus_ns[0]) / 1e9
    for found in kept:
        left &= ~inside_window(seconds, found.period_ns / 1e9, found.window, 0.25)
    return replace(search, status="periods found" if kept else "no period found", findings=kept, unexplained=left)
