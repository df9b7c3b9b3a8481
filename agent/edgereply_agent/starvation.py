"""What keeps a real-time process that never sleeps from taking the whole board: checked before, guarded during.

`dead_man_s` is kept by the session, for a host that is silent; a session that gets no CPU keeps nothing. So the
keeper guards it: armed at the start where a responder has SCHED_FIFO and spins, or where throttling is off, it wakes
by a timer each half of `guard_s` (`in_effect`; `dead_man_s`, 3 s at least and 8 at most), one priority above the
responder and with its memory locked, and looks at a counter in shared memory that the session raises in each turn of
its loop. Stood it still for `guard_s`, the keeper ends the responder, sets the output low and leaves word; the
session, once it runs again, sends `responder-died`. Looking costs the responder a moment each time, so where it
sleeps nobody looks.
"""

from __future__ import annotations

import os
from typing import AbstractSet, Optional

from .errors import AgentError, SettingError
from .settings import Realtime

GUARD_S = 8
SHORTEST_S = 3
FOLDER = "/proc/sys/kernel"
THROTTLE_ON = "turn it on: echo 950000 | sudo tee /proc/sys/kernel/sched_rt_runtime_us"


def throttle_off(folder: str = FOLDER) -> bool:
    """Whether the kernel lets real-time processes take all of a CPU's time.

    Source: Documentation/scheduler/sched-rt-group.rst: a runtime of -1 is no limit. From memory: one as long as the
    period is none either, and kernels from 6.12 on keep some time for others in another way, whatever this says.
    """
    try:
        runtime_us, period_us = (_number(f"{folder}/sched_rt_{name}_us") for name in ("runtime", "period"))
    except (OSError, ValueError):
        return False
    return runtime_us < 0 or runtime_us >= period_us


def check_throttle(
    wanted: Realtime, spins: bool, allowed: Optional[AbstractSet[int]] = None, folder: str = FOLDER
) -> list[str]:
    """Before a process is started that may never sleep.

    Args:
        wanted: its real-time settings.
        spins: it waits by spinning.
        allowed: CPUs this session may use; found out when not given.
        folder: of the kernel's settings.

    Returns:
        A warning where the board would get by, as the session has another CPU.

    Raises:
        SettingError: nothing but the process would run any more.
    """
    if wanted.fifo_priority is None or not spins or not throttle_off(folder):
        return []
    own = os.sched_getaffinity(0) if allowed is None else allowed
    if len(own) == 1 and (wanted.cpus is None or own <= set(wanted.cpus)):
        raise SettingError(
            "a spinning real-time process would keep everything else from running: the kernel's real-time throttling "
            "is off and the agent has no other CPU", "settings.realtime.fifo_priority",
            f"{THROTTLE_ON}; or wait by 'block', or set no fifo_priority",
        )  # fmt: skip
    return [f"real-time throttling is off: a spinning real-time responder takes a CPU for good; {THROTTLE_ON}"]


def guard_s(fifo_priority: Optional[int], spins: bool, dead_man_s: int, folder: str = FOLDER) -> int:
    """How long the session may stand still before the keeper ends a process; 0 where nothing needs guarding.

    Looking costs the process a moment each time, so it is done only where that process could starve the session.
    """
    if fifo_priority is None or not (spins or throttle_off(folder)):
        return 0
    return max(SHORTEST_S, min(dead_man_s, GUARD_S))


def guard_warning(fifo_priority: int, keepers: int) -> list[str]:
    """A warning where the keeper could not be put above the process it guards."""
    if keepers > fifo_priority:
        return []
    return [
        f"the keeper, which ends a responder that starves the board, is not above its priority {fifo_priority}: choose "
        "one lower, 98 at most, or give the user a higher limit rtprio"
    ]


def starved(limit_s: int, name: str) -> AgentError:
    """What is told of a process that the guard ended."""
    return AgentError(
        "responder-died",
        f"the {name} let nothing else run: the agent stood still for {limit_s} s, so its keeper ended the {name} and "
        "set the output low", "realtime",
        f"{THROTTLE_ON}; or wait by 'block', or leave a CPU to the rest with `cpus`",
    )  # fmt: skip


def _number(path: str) -> int:
    with open(path) as file:
        return int(file.read())
