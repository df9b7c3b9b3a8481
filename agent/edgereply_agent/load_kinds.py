"""What each kind of load does in one small step, and how much of it a board may be given."""

from __future__ import annotations

import contextlib
import os
import re
import socket
import tempfile
import time
from dataclasses import dataclass, field
from typing import Callable, Optional

from edgereply_protocol import Json

from .environment import memory
from .errors import AgentError, SettingError
from .settings import LoadSpec

CHUNK = 1 << 16
LOOPS = 2_000
DATAGRAM = bytes(1400)
LEAST_BYTES = 1 << 20
# Flash wears out by writing: so much a second, and so much a run.
WRITES_PER_S, MOST_WRITTEN = 8 << 20, 2 << 30
IN_MEMORY = ("tmpfs", "ramfs")
Step = Callable[[], int]


@dataclass
class Granted:
    """Amounts as they are to be made, and what the processes need for it."""

    kinds: list[str] = field(default_factory=list)
    duty_percent: int = 100
    memory_bytes: int = 0
    storage_bytes: int = 0
    file_fd: int = -1
    in_effect: Json = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)

    def fds(self, kind: str) -> tuple[int, ...]:
        """Descriptors that a process of this kind keeps."""
        return (self.file_fd,) if kind == "storage" else ()

    def close(self) -> None:
        """What the session need not keep."""
        if self.file_fd >= 0:
            os.close(self.file_fd)
        self.file_fd = -1


def grant(wanted: LoadSpec, directories: Optional[list[str]] = None) -> Granted:
    """How much of the load asked for the board can bear: half of its free memory, a quarter of its free storage.

    Raises:
        AgentError: too little of either.
    """
    granted = Granted(duty_percent=wanted.duty_percent)
    if not wanted:
        return granted
    granted.kinds = ["cpu"] * wanted.cpu + ["network"] * wanted.network
    granted.in_effect.update(cpu=wanted.cpu, network=wanted.network, duty_percent=wanted.duty_percent)
    if wanted.memory_bytes:
        free = memory().get("MemAvailable", 0) * 1024 // 2
        granted.memory_bytes = _at_most(granted, "memory", wanted.memory_bytes, free, "half of what is free")
        granted.kinds.append("memory")
    if wanted.storage_bytes:
        granted.file_fd, folder, kind, free = _place(directories)
        what = f"a quarter of what is free in {folder}"
        try:
            granted.storage_bytes = _at_most(granted, "storage", wanted.storage_bytes, free // 4, what)
        except AgentError:
            granted.close()
            raise
        granted.kinds.append("storage")
        granted.in_effect["storage_on"] = f"{folder} ({kind})"
        if kind in IN_MEMORY:
            granted.warnings.append(f"the storage load writes to {folder}, which is memory ({kind}): no disk is used")
        else:
            granted.warnings.append(
                f"the storage load wears flash memory: it writes at most {WRITES_PER_S >> 20} MiB a second and "
                f"{MOST_WRITTEN >> 30} GiB a run"
            )
    granted.in_effect.update(memory_bytes=granted.memory_bytes, storage_bytes=granted.storage_bytes, priority="idle")
    return granted


def _at_most(granted: Granted, name: str, wanted: int, free: int, what: str) -> int:
    given = min(wanted, free)
    if given < min(wanted, LEAST_BYTES):
        raise AgentError("no-memory", f"too little {name} for a load: {what} is {free} bytes", "load", "leave it out")
    if given < wanted:
        granted.warnings.append(f"the {name} load got {given >> 20} MiB of {wanted >> 20} MiB: {what}")
    return given


def _place(directories: Optional[list[str]]) -> tuple[int, str, str, int]:
    """A file without a name: its descriptor, where it is, the kind of file system, bytes free there."""
    tried = directories or ["/var/tmp", os.path.expanduser("~"), tempfile.gettempdir()]  # noqa: S108
    places = []
    for folder in tried:
        with contextlib.suppress(OSError):
            fd = nameless(folder)
            kind, found = file_system(fd), os.fstatvfs(fd)
            places.append((fd, folder, kind, found.f_bavail * found.f_frsize))
    best = next((place for place in places if place[2] not in IN_MEMORY), places[0] if places else None)
    for place in places:
        if place is not best:
            os.close(place[0])
    if best is None:
        raise SettingError(
            f"the storage load can write nowhere: tried {', '.join(tried)}", "load", "leave storage out of the load"
        )
    return best


def nameless(folder: str) -> int:
    """A new file in a folder, without a name where the file system can; else it loses it at once, private till then."""
    try:
        return os.open(folder, os.O_TMPFILE | os.O_RDWR | os.O_CLOEXEC, 0o600)
    except OSError:
        private = tempfile.mkdtemp(prefix="edgereply-load-", dir=folder)
        path = os.path.join(private, "load")
        try:
            fd = os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR | os.O_CLOEXEC, 0o600)
            os.unlink(path)
            return fd
        finally:
            os.rmdir(private)


def file_system(fd: int, mounts: str = "/proc/self/mountinfo") -> str:
    """Kind of the file system a file is on, "unknown" where the kernel does not tell."""
    device = os.fstat(fd).st_dev
    number = f"{os.major(device)}:{os.minor(device)}"
    with contextlib.suppress(OSError), open(mounts) as file:
        for line in file:
            found = re.match(r"\d+ \d+ (\S+) .* - (\S+)", line)
            if found and found[1] == number:
                return found[2]
    return "unknown"


def _cpu(_granted: Granted) -> Step:
    numbers = range(LOOPS)

    def step() -> int:
        for _ in numbers:
            pass
        return LOOPS

    return step


def _memory(granted: Granted) -> Step:
    block, pattern = bytearray(granted.memory_bytes), bytes(range(256)) * (CHUNK // 256)
    at = 0

    def step() -> int:
        nonlocal at
        length = min(CHUNK, len(block) - at)
        block[at : at + length] = pattern[:length]
        at = (at + length) % len(block)
        return length

    return step


def _storage(granted: Granted) -> Step:
    fd, data = granted.file_fd, os.urandom(CHUNK)
    at = written = 0
    began = time.monotonic()

    def step() -> int:
        nonlocal at, written
        if written >= MOST_WRITTEN:
            return -1
        if written > (time.monotonic() - began) * WRITES_PER_S:
            time.sleep(0.005)
            return 0
        done = os.pwrite(fd, data[: granted.storage_bytes - at], at)
        at, written = at + done, written + done
        if at >= granted.storage_bytes:
            os.fdatasync(fd)
            at = 0
        return done

    return step


def _network(_granted: Granted) -> Step:
    """A socket joined to itself on the loopback interface: nobody else can reach it."""
    end = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    end.bind(("127.0.0.1", 0))
    end.connect(end.getsockname())
    end.settimeout(0.05)

    def step() -> int:
        done = 0
        for _ in range(8):
            with contextlib.suppress(OSError):
                end.send(DATAGRAM)
                done += len(end.recv(len(DATAGRAM)))
        return done

    return step


WORK: dict[str, Callable[[Granted], Step]] = {"cpu": _cpu, "memory": _memory, "storage": _storage, "network": _network}
