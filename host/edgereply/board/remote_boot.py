"""Runs on the board, sent as text and never imported here: installs the agent's file and becomes the agent.

Standard library, Python 3.9 and later. Reads one JSON request from stdin, answers with lines that start with `MARK`,
so that a login banner before them does no harm. The host sends nothing while nothing was asked for, so no byte meant
for the agent is read here.
"""

from __future__ import annotations

import hashlib
import importlib.util
import json
import marshal
import os
import shutil
import stat
import sys
import zipfile
from typing import Any, Optional

MARK = "\x1eedgereply-boot "


def say(**answer: Any) -> None:
    sys.stdout.write(MARK + json.dumps(answer) + "\n")
    sys.stdout.flush()


def candidates() -> list[str]:
    found = [os.environ.get("XDG_CACHE_HOME", ""), os.path.join(os.path.expanduser("~"), ".cache")]
    shared = [os.path.join(base, "edgereply-%d" % os.getuid()) for base in ("/var/tmp", "/tmp", "/dev/shm")]  # noqa: S108
    return [os.path.join(base, "edgereply") for base in found if os.path.isabs(base)] + shared


def private(path: str) -> Optional[str]:
    """Why a directory is not ours alone, or None."""
    try:
        os.makedirs(path, mode=0o700, exist_ok=True)
        facts = os.lstat(path)
    except OSError as error:
        return error.strerror or "cannot be made"
    if not stat.S_ISDIR(facts.st_mode):
        return "is not a directory"
    if facts.st_uid != os.getuid():
        return "belongs to another user"
    if facts.st_mode & 0o077:
        os.chmod(path, 0o700)
    if not os.access(path, os.W_OK | os.X_OK):
        return "is read-only"
    return None


def digest(path: str) -> str:
    try:
        with open(path, "rb") as file:
            return hashlib.sha256(file.read()).hexdigest()
    except OSError:
        return ""


def install(folder: str, wanted: str) -> str:
    """Write the file that the host sends, check it, put it in place; returns a complaint or ''."""
    say(need=True)
    size = int(sys.stdin.buffer.readline())
    data = sys.stdin.buffer.read(size)
    if hashlib.sha256(data).hexdigest() != wanted:
        return "the file arrived damaged"
    partial = os.path.join(folder, ".partial-%d" % os.getpid())
    try:
        with open(partial, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(partial, 0o600)
        os.replace(partial, os.path.join(folder, "agent.pyz"))
    except OSError as error:
        if os.path.exists(partial):
            os.unlink(partial)
        return error.strerror or "cannot be written"
    return ""


def compiled(folder: str, path: str) -> str:
    """The same modules, compiled once for this interpreter: half the start-up time on a slow board."""
    ready = os.path.join(folder, "agent-%s.zip" % sys.implementation.cache_tag)
    if os.path.exists(ready):
        return ready
    partial = os.path.join(folder, ".compiled-%d" % os.getpid())
    try:
        with zipfile.ZipFile(path) as source, zipfile.ZipFile(partial, "w") as target:
            for name in source.namelist():
                if not name.endswith(".py"):
                    target.writestr(name, source.read(name))
                    continue
                code = marshal.dumps(compile(source.read(name), os.path.join(path, name), "exec"))
                target.writestr(name + "c", importlib.util.MAGIC_NUMBER + bytes(12) + code)
        os.replace(partial, ready)
    except OSError:
        return path
    return ready


def become_agent(code: str, path: str) -> None:
    """Run the agent in this interpreter; does not return."""
    sys.path.insert(0, code)
    sys.argv = [path]
    from edgereply_agent.__main__ import main as agent  # type: ignore[import-not-found,unused-ignore]

    sys.exit(agent())


def remove() -> None:
    removed = []
    for base in candidates():
        if os.path.isdir(base) and not os.path.islink(base) and os.lstat(base).st_uid == os.getuid():
            shutil.rmtree(base, ignore_errors=True)
            removed.append(base)
    say(removed=removed)


def main() -> None:
    os.umask(0o077)
    request = json.loads(sys.stdin.buffer.readline())
    if request["action"] == "remove":
        remove()
        return
    wanted, passed_over = request["sha256"], []
    for base in candidates():
        folder = os.path.join(base, wanted[:16])
        complaint = private(base) or private(folder)
        path = os.path.join(folder, "agent.pyz")
        fresh = not complaint and digest(path) != wanted
        if fresh:
            complaint = install(folder, wanted)
        if complaint:
            passed_over.append("%s: %s" % (base, complaint))
            continue
        code = compiled(folder, path)
        say(path=path, copied=fresh, passed_over=passed_over, python=sys.executable, version=list(sys.version_info[:3]))
        become_agent(code, path)
    say(failed=passed_over)


main()
