"""The initial RAM disk: loads drivers, hands our small files to the root file system, switches over."""

from __future__ import annotations

import shutil
from pathlib import Path

from tests.virtual_board import cache
from tests.virtual_board.foreign import ForeignPackages
from tests.virtual_board.platforms import Platform
from tests.virtual_board.steps import run, say

BUSYBOX = Path("/bin/busybox")
PROGRAMS = {
    "responder": ("responder.c",),
    "pulse-source": ("pulse_source.c", "scpi.c", "settings.c", "run.c"),
}
SCRIPTS = ("board-init", "uevent", "gpio_check.py")


def key(modules_key: str) -> str:
    """Names the product of `build` after all of its inputs."""
    files = [path for path in cache.GUEST.iterdir() if path.is_file() and path.name != "draw_intervals.c"]
    return cache.key([modules_key], [*files, cache.GUEST / "module" / "pulse_abi.h", Path(__file__)])


def build(kernel: Path, ours: Path, platform: Platform, into: Path) -> None:
    """Makes `initrd` in an empty directory.

    Args:
        kernel: finished product of the kernel step.
        ours: finished product of the modules step.
        platform: for which processor.
        into: where to write.
    """
    say("compiling the guest's programs")
    tree = into / "tree"
    hand_over = tree / "edgereply"
    for directory in ("bin", "dev", "proc", "sys", "root", "edgereply"):
        (tree / directory).mkdir(parents=True)
    for name, sources in PROGRAMS.items():
        compiler = [
            f"{platform.cross}gcc",
            "-O2",
            "-std=gnu11",
            "-Wall",
            "-Wextra",
            "-Werror",
            "-static",
            "-o",
            str(hand_over / name),
        ]
        paths = [str(cache.GUEST / source) for source in sources]
        run(f"compilation of {name}", [*compiler, f"-I{cache.GUEST / 'module'}", *paths, "-lm"], timeout_s=120)
    for name in SCRIPTS:
        shutil.copy(cache.GUEST / name, hand_over / name)
        (hand_over / name).chmod(0o755)
    shutil.copy(_busybox(platform, into), tree / "bin" / "busybox")
    shutil.copy(cache.GUEST / "initrd-init", tree / "init")
    (tree / "init").chmod(0o755)
    shutil.copytree(kernel / "modules", tree / "modules")
    for path in ours.glob("*.ko"):
        shutil.copy(path, tree / "modules")
    with (tree / "modules" / "order").open("a", encoding="ascii") as order:
        # the bench module needs the chip, so the board's own start-up script loads it
        order.write("irq_sim.ko\ngpio-sim.ko\n")
    say("packing the initial RAM disk")
    names = "\n".join(str(path.relative_to(tree)) for path in sorted(tree.rglob("*")))
    cpio = ["cpio", "--quiet", "-o", "-H", "newc", "-R", "0:0"]
    archive = run("initial RAM disk", cpio, timeout_s=60, cwd=tree, stdin=names.encode())
    packed = run("initial RAM disk", ["lz4", "-l", "-9", "-c", "-"], timeout_s=60, stdin=archive)
    (into / "initrd").write_bytes(packed)
    shutil.rmtree(tree)


def _busybox(platform: Platform, into: Path) -> Path:
    """The static busybox for the board's processor."""
    if not platform.foreign:
        return BUSYBOX
    place = into / "busybox"
    place.mkdir()
    ForeignPackages().unpack("busybox-static", "", platform.architecture, place)
    return place / BUSYBOX.relative_to("/")
