"""Python of other processors on this computer: one process at a time in user-mode emulation, without a kernel.

A root file system of the other architecture is unpacked beside, and a wrapper script runs its interpreter in QEMU's
user-mode emulator with that root in front of every path; nothing is installed, no binary format registered. What is
emulated are instructions and the layout of data: 32-bit words, `time_t`, structures as that architecture's ABI has
them. System calls are this computer's, translated, so a test of what the kernel does says nothing here.
"""

from __future__ import annotations

import shutil
import sys
from dataclasses import dataclass
from pathlib import Path

from tests.virtual_board import cache
from tests.virtual_board.foreign import ForeignPackages
from tests.virtual_board.packages import TOOLS, need_installed
from tests.virtual_board.steps import run, say

INCLUDE = "base-files,libc-bin,python3-minimal,python3,python3-numpy,libstdc++6"
LEFT_OUT = ("/usr/share/doc/*", "/usr/share/man/*", "/usr/share/locale/*", "/usr/share/info/*")
# The last Hypothesis that is all Python; newer ones bring native code.
PACKAGES = ("pytest>=8,<9", "pytest-xdist", "hypothesis==6.115.0")


@dataclass(frozen=True, slots=True)
class Processor:
    """One architecture with one Debian release's Python."""

    architecture: str
    suite: str
    python: str
    emulator: str


PROCESSORS = {
    "arm64": Processor("arm64", "bookworm", "3.11", "qemu-aarch64-static"),
    "armhf": Processor("armhf", "bookworm", "3.11", "qemu-arm-static"),
    "arm64, Debian 11": Processor("arm64", "bullseye", "3.9", "qemu-aarch64-static"),
}

_CHILDREN = "looks for its children in /proc, where the emulator's own processes stand"
_MEMORY = "the emulator refuses locked memory"
_NATIVE = "starts this computer's compiler or programs, which the other root does not have"
_SLOW = "Hypothesis's own check of how fast examples are made"
# Tests left out, by the end of their names, each with its reason.
NOT_EMULATED: dict[str, str] = {}


def emulated(processor: Processor) -> Path:
    """A wrapper that runs the processor's Python; built once, kept in the cache of the virtual board.

    Raises: VirtualBoardError: packages are missing, or a step failed.
    """
    need_installed([name for name in TOOLS if name in ("mmdebstrap", "fakeroot")])
    with cache.locked():
        emulators = cache.product(f"emulators-{cache.key([], [Path(__file__)])}", _emulators)
        kind = f"{processor.suite}-{processor.architecture}"
        inputs = [repr(processor), INCLUDE]
        root = cache.product(f"emulated-{kind}-{cache.key(inputs, [])}", lambda into: _root(processor, into))
    _alternatives(root / "tree")
    wrapper = root / "python"
    python = root / "tree/usr/bin" / f"python{processor.python}"
    emulator = emulators / "files/usr/bin" / processor.emulator
    wrapper.write_text(f'#!/bin/sh\nexec {emulator} -L {root / "tree"} {python} "$@"\n', encoding="utf-8")
    wrapper.chmod(0o755)
    return wrapper


def packages(processor: Processor, into: Path) -> None:
    """What tests are run with, for the processor's Python; no package with native code."""
    command = [sys.executable, "-m", "pip", "install", "-q", "--target", str(into), "--only-binary=:all:"]
    command += ["--python-version", processor.python, "--implementation", "py", "--abi", "none", "--platform", "any"]
    run("packages for the tests", [*command, *PACKAGES], timeout_s=600)


def _alternatives(tree: Path) -> None:
    """The links to numpy's libraries, which a package's own script makes where it can run."""
    for path in [*tree.glob("usr/lib/*/blas/lib*.so.3"), *tree.glob("usr/lib/*/lapack/lib*.so.3")]:
        link = path.parents[1] / path.name
        if not link.is_symlink():
            link.symlink_to(path.relative_to(link.parent))


def _emulators(into: Path) -> None:
    files = into / "files"
    files.mkdir()
    ForeignPackages().unpack("qemu-user-static", "", "amd64", files)
    wanted = {processor.emulator for processor in PROCESSORS.values()}
    for path in (files / "usr/bin").iterdir():
        if path.name not in wanted:
            path.unlink()


def _root(processor: Processor, into: Path) -> None:
    say(f"unpacking Python {processor.python} for {processor.architecture}")
    tar, tree = into / "root.tar", into / "tree"
    tree.mkdir()
    words = [
        "mmdebstrap", "--variant=extract", f"--architectures={processor.architecture}", f"--include={INCLUDE}",
        "--format=tar", *(f"--dpkgopt=path-exclude={pattern}" for pattern in LEFT_OUT),
        processor.suite, str(tar), f"deb {ForeignPackages().mirror} {processor.suite} main",
    ]  # fmt: skip
    run("root file system", words, timeout_s=900)
    run("unpacking", ["tar", "-xf", str(tar), "-C", str(tree), "--exclude=./dev/*"], timeout_s=300)
    tar.unlink()
    shutil.rmtree(tree / "var/cache", ignore_errors=True)
