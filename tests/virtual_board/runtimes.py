"""Runtimes that the board's root file system does not hold (Java, C#, JavaScript), on a read-only disk of their own.

The distribution's packages are unpacked, never installed, on this computer: their compilers run from where they were
unpacked, and the board mounts the same files from the disk.
"""

from __future__ import annotations

import subprocess
from dataclasses import dataclass
from pathlib import Path

from tests.virtual_board import cache
from tests.virtual_board.board import VirtualBoard
from tests.virtual_board.build import build as build_board
from tests.virtual_board.errors import BuildError
from tests.virtual_board.foreign import ForeignPackages
from tests.virtual_board.steps import run, say

PACKAGES = ("openjdk-17-jre-headless", "mono-runtime", "mono-mcs", "nodejs")
MEMORY_MB = 1024
MOUNTED_AT = "/opt/runtimes"
JAVA = "usr/lib/jvm/java-17-openjdk-amd64/bin/java"
COMPILE_S = 300.0
_UNNEEDED = ("usr/share/doc", "usr/share/man", "usr/share/fonts", "usr/share/locale", "usr/share/lintian")
# What a runtime looks for at a place of its own, whatever it was started from.
_LINKED = ("usr/share/nodejs", "etc/java-17-openjdk")
_MOUNT = f"""\
set -e
[ -e {MOUNTED_AT}/usr ] && exit 0
mkdir -p {MOUNTED_AT}
mount -t ext4 -o ro /dev/vdb {MOUNTED_AT}
for path in {" ".join(_LINKED)}; do ln -s {MOUNTED_AT}/$path /$path; done
"""
ON_BOARD = {
    "java": f"{MOUNTED_AT}/{JAVA}",
    "mono": f"MONO_CFG_DIR={MOUNTED_AT}/etc {MOUNTED_AT}/usr/bin/mono",
    "node": f"LD_LIBRARY_PATH={MOUNTED_AT}/usr/lib/x86_64-linux-gnu {MOUNTED_AT}/usr/bin/node",
}


@dataclass(frozen=True, slots=True)
class Runtimes:
    """The disk, and the files on it as they lie on this computer."""

    disk: Path
    tree: Path

    def compile_java(self, source: Path, into: Path) -> None:
        """Compile one file of Java to classes in a folder. Raises: BuildError."""
        compiler = ["--add-modules", "jdk.incubator.foreign", "-nowarn", "-d", str(into), str(source)]
        _compile([str(self.tree / JAVA), "--module", "jdk.compiler/com.sun.tools.javac.Main", *compiler], {})

    def compile_cs(self, source: Path, target: Path) -> None:
        """Compile one file of C# to a program. Raises: BuildError."""
        usr = self.tree / "usr"
        words = [str(usr / "bin/mono"), str(usr / "lib/mono/4.5/mcs.exe"), f"-out:{target}", str(source)]
        _compile(words, {"MONO_CFG_DIR": str(self.tree / "etc")})


def runtimes() -> Runtimes:
    """The runtimes, fetched when they are not in the cache yet (61 packages, some 130 MB).

    Raises: BuildError: a package cannot be had.
    """
    root = build_board("plain").image
    with cache.locked():
        name = f"runtimes-{cache.key([*PACKAGES, root.parent.name], [Path(__file__)])}"
        made = cache.product(name, lambda into: _build(root, into))
    return Runtimes(made / "runtimes.ext4", made / "tree")


def mount(board: VirtualBoard) -> None:
    """Make the runtimes usable on a board that has the disk; does nothing when they are.

    Raises: BoardError: the board has no such disk.
    """
    board.run(_MOUNT, 120, root=True)


def _compile(words: list[str], environment: dict[str, str]) -> None:
    try:
        done = subprocess.run(
            words, capture_output=True, text=True, check=False, timeout=COMPILE_S, env=environment,
            stdin=subprocess.DEVNULL,
        )  # fmt: skip
    except subprocess.TimeoutExpired as error:
        raise BuildError(f"{words[-1]} was not compiled within {COMPILE_S:.0f} s") from error
    if done.returncode:
        raise BuildError(f"{words[-1]} does not compile:\n{done.stdout}{done.stderr}")


def _build(root: Path, into: Path) -> None:
    status = into / "status"
    tree = into / "tree"
    tree.mkdir()
    query = ["/sbin/debugfs", "-R", "cat /var/lib/dpkg/status", str(root)]
    status.write_bytes(run("what the board has", query, timeout_s=60))
    archive = ForeignPackages()
    archive.unpack_all(archive.lacking(PACKAGES, status), tree)
    status.unlink()
    say("writing the disk of runtimes")
    unneeded = " ".join(f"'{tree}/{path}'" for path in _UNNEEDED)
    # Little room to spare: nothing is ever written to it.
    script = (
        f"rm -rf {unneeded} && chown -R 0:0 '{tree}' && "
        f"PATH=$PATH:/sbin:/usr/sbin mke2fs -q -t ext4 -O ^has_journal -m 0 -d '{tree}' '{into}/runtimes.ext4' "
        f"$(($(du -s --block-size=1M '{tree}' | cut -f 1) * 11 / 10 + 16))M"
    )
    run("disk of runtimes", ["fakeroot", "sh", "-c", script], timeout_s=300)
