"""The faults of a campaign, one table: how each strikes, and how the command may end after it."""

from __future__ import annotations

import contextlib
import os
import signal
import struct
import subprocess
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from tests.campaign import tether
from tests.campaign.injected import sitecustomize
from tests.campaign.scene import Scene, TooLate
from tests.tools import need

DONE, TROUBLE, INTERRUPTED = 0, 3, 130
ENDED = frozenset({DONE, TROUBLE})
STOPPED = frozenset({DONE, INTERRUPTED})
KILLED = frozenset({-signal.SIGKILL})
FAR_S = 50 * 365 * 86_400
AWHILE_S = 1.5


@dataclass(frozen=True, slots=True)
class Fault:
    """One kind of fault.

    Args:
        strike: makes it happen; raises TooLate when the command had ended.
        codes: exit codes that are right after it; 0 where it may strike too late to matter.
        prepare: before the command starts.
        host_dies: nobody is left to say a last word or to close the record.
        disk_fails: the record may not be closed, as it cannot be written.
        files_stay: temporary files may stay, as all who could remove them died at once.
        level_known: somebody is left to set the output low.
    """

    strike: Callable[[Scene], None]
    codes: frozenset[int] = ENDED
    prepare: Callable[[Scene], None] | None = None
    host_dies: bool = False
    disk_fails: bool = False
    files_stay: bool = False
    level_known: bool = True


def at_host(*numbers: int, group: bool = False) -> Callable[[Scene], None]:
    """Signals to the command, or to all of its terminal's programs, at any moment."""

    def strike(scene: Scene) -> None:
        scene.at_any_moment()
        scene.note_committed()
        for number in numbers:
            if scene.running.process.poll() is not None:
                raise TooLate
            if group:
                os.killpg(scene.running.process.pid, number)
            else:
                scene.running.signal(number)

    return strike


def at_agent(role: str, number: int) -> Callable[[Scene], None]:
    """A signal to one of the agent's processes."""

    def strike(scene: Scene) -> None:
        scene.at_any_moment()
        pid = scene.agent(role)
        scene.note_committed()
        scene.kill(pid, number)

    return strike


def at_process(words: str, number: int) -> Callable[[Scene], None]:
    """A signal to the process whose command line holds the words, while it measures."""

    def strike(scene: Scene) -> None:
        scene.while_measuring()
        pid = scene.find(words)
        scene.note_committed()
        scene.kill(pid, number)

    return strike


def for_a_while(find: Callable[[Scene], int]) -> Callable[[Scene], None]:
    """Stop a process, and let it go on after a second or so."""

    def strike(scene: Scene) -> None:
        scene.while_measuring()
        pid = find(scene)
        scene.note_committed()
        scene.kill(pid, signal.SIGSTOP)
        time.sleep(scene.rng.uniform(0.1, AWHILE_S))
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGCONT)

    return strike


def host_freezes_for_good(scene: Scene) -> None:
    """The agent must end by its dead-man's time; only then is the host taken away."""
    scene.while_measuring()
    scene.agent("session")
    scene.note_committed()
    scene.kill(scene.running.process.pid, signal.SIGSTOP)
    end = time.monotonic() + 5 * sitecustomize.DEAD_MAN_S
    while scene.agent_runs_a_task() and time.monotonic() < end:
        time.sleep(0.05)
    scene.want(not scene.agent_runs_a_task(), "the agent went on answering without a host")
    scene.check_outputs_low()
    scene.running.signal(signal.SIGKILL)


def power_fails(scene: Scene) -> None:
    """Everything ends at once, as when the laptop's battery is empty."""
    scene.at_any_moment()
    scene.note_committed()
    if scene.running.process.poll() is not None:
        raise TooLate
    for pid in scene.place.processes():
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)


def board_loses_power(scene: Scene) -> None:
    """Session, responder and keeper end at once; the level is up to the driver."""
    scene.at_any_moment()
    pids = [scene.agent(role) for role in ("session", "responder", "keeper")]
    scene.note_committed()
    for pid in pids:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)


def small_disk(scene: Scene) -> None:
    """A file system of a random size that will not do."""
    _mount(scene, f"size={scene.rng.randrange(48, 260)}k")


def roomy_disk(scene: Scene) -> None:
    """A file system that can be made read-only."""
    _mount(scene, "size=64m")


def _mount(scene: Scene, options: str) -> None:
    scene.out.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(scene.out)], check=True, timeout=20)
    scene.cleanup.callback(subprocess.run, ["umount", "--lazy", str(scene.out)], check=True, timeout=20)


def disk_fills(scene: Scene) -> None:
    """Nothing to do but wait: it is too small. What is committed before the end must stay."""
    while scene.running.process.poll() is None:
        scene.note_committed()
        time.sleep(0.02)


def disk_turns_read_only(scene: Scene) -> None:
    """As kernels do after an error on the medium."""
    scene.while_measuring()
    command = ["mount", "-o", "remount,ro", str(scene.out)]
    for _ in range(2000):
        scene.note_committed()
        if subprocess.run(command, capture_output=True, timeout=20).returncode == 0:
            break
        time.sleep(0.001)
    else:
        raise TooLate
    if scene.running.process.poll() is not None:
        raise TooLate


def steerable_clock(scene: Scene) -> None:
    """The computer's wall clock, as all the scene's processes see it, is off by what a file says."""
    library, offset = scene.place.root / "clock.so", scene.place.root / "offset"
    compiler = need("gcc", "gcc", "libc6-dev")
    source = Path(sitecustomize.__file__).with_name("clock.c")
    subprocess.run([compiler, "-shared", "-fPIC", "-O1", "-o", library, source], check=True, timeout=60)
    offset.write_bytes(struct.pack("=q", 0))
    scene.env |= {"LD_PRELOAD": str(library), "EDGEREPLY_CAMPAIGN_CLOCK": str(offset)}


def clock_steps(scene: Scene) -> None:
    """By hours, or by up to fifty years, there or back."""
    scene.at_any_moment()
    scene.note_committed()
    if scene.running.process.poll() is not None:
        raise TooLate
    far_s = FAR_S if scene.rng.random() < 0.5 else 7200
    with (scene.place.root / "offset").open("rb+") as file:
        file.write(struct.pack("=q", scene.rng.randrange(-far_s, far_s)))


SOURCE, TETHER = r"edgereply\.virtual", r"/tether "

FAULTS: dict[str, Fault] = {
    "host killed": Fault(at_host(signal.SIGKILL), KILLED, host_dies=True),
    "host: SIGINT": Fault(at_host(signal.SIGINT), STOPPED),
    "host: SIGTERM": Fault(at_host(signal.SIGTERM), STOPPED),
    "host: SIGHUP": Fault(at_host(signal.SIGHUP), STOPPED),
    "host: Ctrl-C in its terminal": Fault(at_host(signal.SIGINT, group=True), STOPPED),
    "host: Ctrl-C twice": Fault(at_host(signal.SIGINT, signal.SIGINT), STOPPED | ENDED),
    "host frozen for a while": Fault(for_a_while(lambda scene: scene.running.process.pid)),
    "host frozen for good": Fault(host_freezes_for_good, KILLED, host_dies=True),
    "session killed": Fault(at_agent("session", signal.SIGKILL)),
    "session: SIGTERM": Fault(at_agent("session", signal.SIGTERM)),
    "session: SIGHUP": Fault(at_agent("session", signal.SIGHUP)),
    "responder killed": Fault(at_agent("responder", signal.SIGKILL)),
    "responder frozen for a while": Fault(for_a_while(lambda scene: scene.agent("responder"))),
    "keeper killed": Fault(at_agent("keeper", signal.SIGKILL)),
    "board loses power": Fault(board_loses_power, level_known=False),
    "source killed": Fault(at_process(SOURCE, signal.SIGKILL)),
    "source frozen for a while": Fault(for_a_while(lambda scene: scene.find(SOURCE))),
    "link cut": Fault(at_process(TETHER, signal.SIGKILL)),
    "link frozen for good": Fault(at_process(TETHER, signal.SIGSTOP)),
    "link frozen for a while": Fault(for_a_while(lambda scene: scene.find(TETHER))),
    "link slow": Fault(at_process(TETHER, tether.SLOW)),
    "link turns bits": Fault(at_process(TETHER, tether.GARBLE)),
    "link loses bytes": Fault(at_process(TETHER, tether.LOSE)),
    "serial unplugged": Fault(at_process(SOURCE, sitecustomize.UNPLUG)),
    "serial garbled": Fault(at_process(SOURCE, sitecustomize.GARBLE)),
    "serial stops in a record": Fault(at_process(SOURCE, sitecustomize.HALVE)),
    "disk full": Fault(disk_fills, prepare=small_disk, disk_fails=True),
    "disk read-only": Fault(disk_turns_read_only, prepare=roomy_disk, disk_fails=True),
    "clock stepped": Fault(clock_steps, frozenset({DONE}), prepare=steerable_clock),
    "power failure": Fault(
        power_fails, KILLED, host_dies=True, files_stay=True, level_known=False
    ),
}  # fmt: skip
