"""How to make a setting permanent on a board, and what to mind."""

from collections.abc import Sequence
from dataclasses import dataclass

FINAL = (
    "These are measured on this board, with this kernel and this load; measure again after every change. Where people "
    "or plant depend on a reaction time, the standards that apply and a qualified engineer decide."
)
_THROTTLE = (
    "Leave the kernel's real-time throttle on (kernel.sched_rt_runtime_us = 950000): without it, a real-time program "
    "that never waits takes its CPU from everybody else for good, the network included."
)


@dataclass(frozen=True, slots=True)
class PermanentSetting:
    """How to keep one setting.

    Attributes:
        setting: in words.
        lines: what to write where.
        cautions: what it can do to the board.
        why: in what it is quicker, and in what slower.
    """

    setting: str
    lines: Sequence[str]
    cautions: Sequence[str]
    why: str = ""


def setting_words(axis: str, value: str) -> str:
    """A setting as people say it."""
    if axis == "fifo_priority":
        return "no real-time priority" if value == "none" else f"SCHED_FIFO priority {value}"
    if axis == "cpus":
        return "any CPU" if value == "any" else f"CPU {value}"
    if axis == "hold_cpu_latency":
        return "CPUs kept awake" if value == "yes" else "CPUs that may sleep"
    if axis == "load":
        return "no load" if value == "none" else f"load {value}"
    if axis == "responder":
        return "the floor (C)" if value == "floor" else f"the {value} (Python)"
    return f"{axis} {value}"


def permanent_setting(axis: str, value: str) -> PermanentSetting:
    """How to keep a setting of `contrasts.AXES`; what is already the board's own way needs nothing."""
    words = setting_words(axis, value)
    if (axis, value) in (("fifo_priority", "none"), ("cpus", "any"), ("hold_cpu_latency", "no")):
        return PermanentSetting(words, ["Nothing to do: the board does so by itself."], [])
    if axis == "fifo_priority":
        return _priority(words, value)
    if axis == "cpus":
        return _cpus(words, value.split("+"))
    if axis == "hold_cpu_latency":
        return _awake(words)
    if (axis, value) == ("wait", "spin"):
        return PermanentSetting(
            words,
            ["In your program: read the line without blocking, in a loop."],
            ["It takes a whole CPU all the time: more power, more heat, and a hot board throttles.",
             "On a board with one core nothing else gets to run beside it. " + _THROTTLE],
        )  # fmt: skip
    if axis == "responder":
        return _language(words, value)
    cautions = (
        ["The kernel calls this interface obsolete; it may be gone from the next image."] if value == "sysfs" else []
    )
    return PermanentSetting(
        words, [f"In your program: use the same {'interface' if axis == 'route' else 'way to wait'}."], cautions
    )


def _language(words: str, value: str) -> PermanentSetting:
    if value != "floor":
        return PermanentSetting(words, ["In your program: a runtime like the agent's was no slower here."], [])
    return PermanentSetting(
        words,
        ["Write the part that answers in a compiled language; agent/edgereply_agent/floor.c shows the system calls."],
        ["The floor does nothing but answer: whatever else your program does comes on top. Watch it with "
         "responder = \"observe\" to learn its own time."],
    )  # fmt: skip


def _priority(words: str, value: str) -> PermanentSetting:
    cautions = [_THROTTLE]
    if int(value) >= 50:
        cautions.append(
            "A PREEMPT_RT kernel handles interrupts in threads of priority 50: a program at or above it can keep the "
            "very interrupt waiting that it waits for. Try a value below 50 too."
        )
    return PermanentSetting(
        words,
        ["In the program's systemd unit:", "  [Service]", "  CPUSchedulingPolicy=fifo",
         f"  CPUSchedulingPriority={value}",
         "Or, started by a user of the group gpio, in /etc/security/limits.d/90-reaction-time.conf, then log in anew:",
         f"  @gpio  -  rtprio  {value}"],
        cautions,
    )  # fmt: skip


def _cpus(words: str, cpus: Sequence[str]) -> PermanentSetting:
    listed = ",".join(cpus)
    return PermanentSetting(
        words,
        ["In the program's systemd unit:", "  [Service]", f"  CPUAffinity={' '.join(cpus)}",
         "To keep others off, on the kernel's command line (not part of this comparison: measure again):",
         f"  isolcpus={listed} nohz_full={listed} rcu_nocbs={listed}"],
        ["What is set apart is lost to everything else: on a board with few CPUs, other work slows down or starves.",
         "A kernel that does not start with a changed command line needs a serial console or its card in another "
         "computer: keep the old line."],
    )  # fmt: skip


def _awake(words: str) -> PermanentSetting:
    return PermanentSetting(
        words,
        ["Your program opens /dev/cpu_dma_latency, writes 0 as 32 bits, and keeps it open for as long as it answers.",
         "For a user of the group gpio, in /etc/udev/rules.d/90-cpu-latency.rules:",
         '  KERNEL=="cpu_dma_latency", GROUP="gpio", MODE="0660"',
         "Or for the whole board, on the kernel's command line (not part of this comparison: measure again):",
         "  cpuidle.off=1"],
        ["CPUs that never sleep draw more power and get hotter: look at the watts and degrees of both conditions, and "
         "whether the board throttles in its case on a warm day."],
    )  # fmt: skip
