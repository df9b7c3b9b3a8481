"""Runs on the board, sent as text and never imported here: installs the agent's file and becomes the agent.

Standard library, Python 3.9 and later. Reads one JSON request from stdin, answers with lines that start with `MARK`,
so that a login banner before them does no harm. The host sends nothing while nothing was asked for, so no byte meant
for the agent is read here.

What runs is what was checked: the file is read once, its bytes are held against the hash, and every module is taken
from those bytes. No compiled copy is kept: it would run unchecked, since its hash depends on the board's Python and
the host cannot know it.
"""

from __future__ import annotations

import hashlib
import importlib.util
import io
import json
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


def kept(path: str, wanted: str) -> bytes:
    """The file's bytes if they have the hash that is wanted, else none."""
    try:
        with open(path, "rb") as file:
            data = file.read()
    except OSError:
        return b""
    return data if hashlib.sha256(data).hexdigest() == wanted else b""


def receive(wanted: str) -> bytes:
    """The file as the host sends it; none when it arrived damaged."""
    say(need=True)
    size = int(sys.stdin.buffer.readline())
    data = sys.stdin.buffer.read(size)
    return data if hashlib.sha256(data).hexdigest() == wanted else b""


def keep(data: bytes, folder: str) -> str:
    """Put the file in place, whole or not at all; returns a complaint or ''."""
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


class FromBytes:
    """Finds and loads modules in a packed file that is held in memory; the file at `path` only lends its name.

    A finder and a loader as the import system's reference has them (Python Language Reference, 5.4 and 5.5).
    """

    def __init__(self, data: bytes, path: str) -> None:
        self.archive = zipfile.ZipFile(io.BytesIO(data))
        self.names = frozenset(self.archive.namelist())
        self.path = path

    def find_spec(self, name: str, _path: Any = None, _target: Any = None) -> Any:
        base = name.replace(".", "/")
        for file, package in ((base + "/__init__.py", True), (base + ".py", False)):
            if file in self.names:
                origin = os.path.join(self.path, file)
                spec: Any = importlib.util.spec_from_loader(name, self, origin=origin, is_package=package)  # type: ignore[arg-type]
                spec.has_location = True
                if package:
                    spec.submodule_search_locations = [os.path.dirname(origin)]
                return spec
        return None

    def create_module(self, _spec: Any) -> None:
        return None

    def exec_module(self, module: Any) -> None:
        origin = module.__spec__.origin
        exec(compile(self.get_data(origin), origin, "exec", dont_inherit=True), module.__dict__)  # noqa: S102

    def get_data(self, path: str) -> bytes:
        """One of the packed files, for `pkgutil.get_data`."""
        try:
            return self.archive.read(os.path.relpath(path, self.path))
        except KeyError as error:
            raise OSError("there is no %s" % path) from error


def become_agent(data: bytes, path: str) -> None:
    """Run the agent in this interpreter; does not return."""
    sys.meta_path.insert(0, FromBytes(data, path))
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
    arrived = b""
    for base in candidates():
        folder = os.path.join(base, wanted[:16])
        complaint = private(base) or private(folder)
        path = os.path.join(folder, "agent.pyz")
        data = b"" if complaint else kept(path, wanted)
        fresh = not complaint and not data
        if fresh:
            data = arrived = arrived or receive(wanted)
            complaint = keep(data, folder) if data else "the file arrived damaged"
        if complaint:
            passed_over.append("%s: %s" % (base, complaint))
            continue
        say(path=path, copied=fresh, passed_over=passed_over, python=sys.executable, version=list(sys.version_info[:3]))
        become_agent(data, path)
    say(failed=passed_over)


main()
