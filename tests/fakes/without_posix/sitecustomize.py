"""Takes away what only POSIX systems have, in every Python process that finds this on its path.

Modules are refused to this project alone: other libraries bring what they need of them on each system. Names in `os`,
`signal` and `socket` are gone for all; `EDGEREPLY_TEST_WITHOUT` says which set.
"""

from __future__ import annotations

import builtins
import os
import select
import signal
import socket
from typing import Any

MODULES = {"fcntl", "grp", "pty", "pwd", "resource", "termios", "tty"}
ALL = {
    os: ("fork", "forkpty", "geteuid", "getuid", "getgid", "getpgid", "killpg", "memfd_create", "openpty", "pidfd_open",
         "posix_fallocate", "sched_getaffinity", "sched_setaffinity", "sched_setscheduler", "setsid", "set_blocking",
         "statvfs", "ttyname", "getloadavg", "nice", "O_DIRECTORY", "O_NOFOLLOW", "O_CLOEXEC"),
    signal: ("SIGHUP", "pthread_sigmask", "sigwait", "set_wakeup_fd", "setitimer"),
    socket: ("AF_UNIX", "SOCK_SEQPACKET", "socketpair"),
    select: ("poll", "epoll"),
}  # fmt: skip
PACKETS = {socket: ("SOCK_SEQPACKET",)}

_import = builtins.__import__


def _refuse(name: str, globals_: Any = None, locals_: Any = None, fromlist: Any = (), level: int = 0) -> Any:
    importer = str((globals_ or {}).get("__name__", ""))
    if level == 0 and name.partition(".")[0] in MODULES and importer.partition(".")[0].startswith("edgereply"):
        raise ImportError(f"No module named {name!r} here", name=name)
    return _import(name, globals_, locals_, fromlist, level)


if wanted := os.environ.get("EDGEREPLY_TEST_WITHOUT"):
    if wanted == "posix":
        # What other libraries keep of these at their own import stays theirs.
        import asyncio
        import multiprocessing.util
        import subprocess
        import tempfile

        _kept = (asyncio, multiprocessing.util, subprocess, tempfile)
        vars(builtins)["__import__"] = _refuse
    for module, names in (ALL if wanted == "posix" else PACKETS).items():
        for gone in names:
            if hasattr(module, gone):
                delattr(module, gone)
