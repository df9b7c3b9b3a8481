"""The floor responder: a small C program that the responder's process becomes, built here or brought ready made.

It runs from memory: nothing of it stays on the disk, whichever way the agent ends, and a temporary directory from
which nothing may be run does no harm. A session builds it once.

The responder's process, once forked and under its settings, becomes it: same process number, so keeper, counters and
priorities hold; lines, the ring's memory and the two pipes go along as descriptors. It writes the ring's cells and rows
as `ring` lays them out and answers like `worker`; the number of the system's error that ended it is in the cell
`FAILED`. Whoever changes the layout or the words of its command line changes `INTERFACE` in both files. Tests build a
fake kernel into it (`tests/fakes/floor_kernel.h`).
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import pkgutil
import shutil
import signal
import stat
import sys
import tempfile
from dataclasses import dataclass
from typing import NoReturn, Sequence

from edgereply_protocol import Json

from .errors import AgentError, SettingError
from .ring import Ring
from .routes.base import InputLine, OutputLine, Route

INTERFACE = "1"
COMPILERS = ("cc", "gcc", "clang", "tcc")
OPTIONS = ("-O2",)
# Below the time that a host waits for the answer to `Configure`.
BUILD_S, ASK_S = 10.0, 2.0
MOST_BYTES = 16 << 20
REACH = {"chardev": "lines", "virtual": "wires"}
NO_COMPILER_HINT = (
    "install one on the board (on Debian: apt-get install gcc libc6-dev), or build agent/edgereply_agent/floor.c on "
    "the laptop with a cross compiler (CROSS-gcc -O2 -static -o floor floor.c), copy it to the board and name it there "
    "as floor_program"
)
OTHER_HINT = "build agent/edgereply_agent/floor.c of this version for this board's processor, with -static, and copy it"

_built: dict[str, Floor] = {}


@dataclass(frozen=True)
class Duty:
    """What the program is to do: which line to answer, by which output, and how."""

    route: Route
    line: InputLine
    output: OutputLine
    wait: str
    hold_ns: int


class Floor:
    """The program, ready to run.

    Args:
        data: an executable file.
        origin: what it is, for the report.
    """

    def __init__(self, data: bytes, origin: Json) -> None:
        self.in_effect: Json = {**origin, "sha256": hashlib.sha256(data).hexdigest()}
        self._data = data

    def become(self, duty: Duty, ring: Ring, lock: bool, ready: str, pipes: Sequence[int], parent: int) -> NoReturn:
        """Turn this process into the program; settings of the process stay.

        Args:
            duty: what it is to do.
            ring: made to be shared by descriptor.
            lock: memory is locked anew.
            ready: what it says on the first pipe once it can start: a JSON object without its last brace, since it adds
                what its calls cost.
            pipes: where it reports, and where it is told to go.
            parent: it ends unless this is its parent.

        Raises:
            AgentError: the kernel cannot run it.
        """
        passed = (ring.fd, duty.line.fd, duty.output.fd, *pipes)
        for fd in passed:
            os.set_inheritable(fd, True)
        memory, *others = map(str, passed)
        words = (
            "edgereply-floor", INTERFACE, memory, str(ring.capacity), *others, str(parent),
            REACH[duty.route.name], duty.wait, str(duty.hold_ns), str(int(lock)), ready,
        )  # fmt: skip
        try:
            fd = os.memfd_create("edgereply-floor")
            with open(fd, "wb", closefd=False) as file:
                file.write(self._data)
            os.execve(fd, words, os.environ)  # noqa: S606
        except OSError as error:
            raise AgentError(
                "bad-setting", f"the floor program cannot be run: {error.strerror}", "floor_program", OTHER_HINT
            ) from error


def check_reach(route: Route) -> None:
    """Whether the floor responder can answer by a route.

    Raises:
        SettingError: it cannot.
    """
    if route.name not in REACH or (route.name == "virtual" and sys.byteorder != "little"):
        raise SettingError(
            f"the floor responder cannot answer by the route {route.name}", "route", "use the route chardev"
        )


def obtain(program: str = "") -> Floor:
    """The program: built from source, or the file at a path on this board.

    Raises:
        AgentError: there is no compiler, it failed, or the file is none.
    """
    if program:
        return _ready_made(program)
    if not _built:
        _built["floor"] = _build(source())
    return _built["floor"]


def source() -> bytes:
    """The program's C source, which travels with the agent."""
    data = pkgutil.get_data(__package__ or "edgereply_agent", "floor.c")
    assert data is not None
    return data


def compiler() -> str:
    """Path of the first C compiler there is, "" without one."""
    return next(filter(None, map(shutil.which, COMPILERS)), "")


def available() -> Json:
    """Whether it can be built here, by what, and what would help; a ready-made one needs no compiler."""
    found = compiler()
    why = "" if found else f"there is none of the C compilers {', '.join(COMPILERS)}"
    return {"available": bool(found), "why": why, "remedy": "" if found else NO_COMPILER_HINT, "compiler": found}


def _ready_made(path: str) -> Floor:
    try:
        with open(path, "rb") as file:
            if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
                raise SettingError("is not a file", path, OTHER_HINT)
            data = file.read(MOST_BYTES + 1)
    except OSError as error:
        raise SettingError(f"the floor program cannot be read: {error.strerror}", path, OTHER_HINT) from error
    if not 0 < len(data) <= MOST_BYTES:
        raise SettingError("the file is empty or larger than 16 MiB: no floor program", path, OTHER_HINT)
    return Floor(data, {"program": path})


def _build(text: bytes) -> Floor:
    found = compiler()
    if not found:
        raise AgentError(
            "no-route", f"the floor responder needs a C compiler, and there is none of {', '.join(COMPILERS)}",
            "responder", NO_COMPILER_HINT,
        )  # fmt: skip
    with tempfile.TemporaryDirectory(prefix="edgereply-floor-") as folder:
        path, made = os.path.join(folder, "floor.c"), os.path.join(folder, "floor")
        with open(path, "wb") as file:
            file.write(text)
        code, said = _run([found, *OPTIONS, "-o", made, path], folder, BUILD_S)
        if code != 0 or not os.path.exists(made):
            raise AgentError(
                "no-route", f"the C compiler could not build the floor responder: {said.strip()[-500:] or code}", found,
                "is the C library's development package there (on Debian: libc6-dev)? or: " + NO_COMPILER_HINT,
            )  # fmt: skip
        _, version = _run([found, "--version"], folder, ASK_S)
        with open(made, "rb") as file:
            data = file.read()
    return Floor(data, {"compiler": found, "version": version.partition("\n")[0].strip()[:120], "options": [*OPTIONS]})


def _run(words: Sequence[str], folder: str, limit_s: float) -> tuple[int, str]:
    """Run a program in a process group of its own, which does not outlive its time."""
    import subprocess

    env = {"PATH": os.environ.get("PATH", os.defpath), "LC_ALL": "C", "TMPDIR": folder}
    with subprocess.Popen(
        words, cwd=folder, env=env, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        start_new_session=True,
    ) as process:  # fmt: skip
        try:
            out, _ = process.communicate(timeout=limit_s)
        except subprocess.TimeoutExpired:
            with contextlib.suppress(OSError):
                os.killpg(process.pid, signal.SIGKILL)
            return -1, f"not done after {limit_s:.0f} s"
    return process.returncode, out.decode("utf-8", "replace")
