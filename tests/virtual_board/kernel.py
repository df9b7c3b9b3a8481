"""The kernel: Debian's image made bootable by the emulator, its boot modules, and the driver sources we build."""

from __future__ import annotations

import shutil
from pathlib import Path

from tests.virtual_board import cache, packages
from tests.virtual_board.packages import KernelPackages
from tests.virtual_board.steps import run, say

TARBALL = Path("/usr/src/linux-source-6.1.tar.xz")
DRIVERS = ("kernel/irq/irq_sim.c", "drivers/gpio/gpio-sim.c", "drivers/gpio/gpiolib.h")
EXTRACTOR = "scripts/extract-vmlinux"
# What the initial RAM disk loads; dependencies come from the kernel's own tables.
BOOT_MODULES = [
    "virtio_pci",
    "virtio_blk",
    "virtio_net",
    "virtio_console",
    "virtio_rng",
    "crc32c_generic",
    "crc32c_intel",
    "ext4",
    "configfs",
]


def key(kernel: KernelPackages) -> str:
    """Names the product of `build` after all of its inputs."""
    return cache.key([kernel.release, kernel.version], [Path(__file__)])


def build(kernel: KernelPackages, into: Path) -> None:
    """Makes `vmlinux`, `modules/*.ko`, `modules/order` and `drivers/` in an empty directory."""
    say("taking driver sources out of the kernel source package")
    wanted = [f"linux-source-6.1/{path}" for path in (*DRIVERS, EXTRACTOR)]
    run("extraction of driver sources", ["tar", "-xJf", str(TARBALL), *wanted], timeout_s=300, cwd=into)
    tree = into / "linux-source-6.1"
    drivers = into / "drivers"
    drivers.mkdir()
    for path in DRIVERS:
        (tree / path).rename(drivers / Path(path).name)

    package = packages.download(kernel.image, kernel.version, into)
    say("unpacking the kernel")
    image = into / "image"
    run("unpacking the kernel image", ["dpkg-deb", "-x", str(package), str(image)], timeout_s=120)
    # an ELF kernel is entered directly, without decompressing itself under emulation: 5 s instead of 8
    vmlinuz = image / "boot" / f"vmlinuz-{kernel.release}"
    elf = run("extraction of vmlinux", ["sh", str(tree / EXTRACTOR), str(vmlinuz)], timeout_s=120)
    (into / "vmlinux").write_bytes(elf)
    _collect(kernel, image, into / "modules")

    package.unlink()
    shutil.rmtree(tree)
    shutil.rmtree(image)


def _collect(kernel: KernelPackages, image: Path, into: Path) -> None:
    into.mkdir()
    run("module index", ["/sbin/depmod", "-b", str(image), kernel.release], timeout_s=60)
    order: list[str] = []
    for name in BOOT_MODULES:
        command = ["/sbin/modprobe", "-d", str(image), "-S", kernel.release, "--show-depends", name]
        for line in run(f"dependencies of {name}", command, timeout_s=30).decode().splitlines():
            kind, _, rest = line.partition(" ")
            path = Path(rest.split()[0])
            if kind == "insmod" and path.name not in order:
                shutil.copy(path, into)
                order.append(path.name)
    (into / "order").write_text("\n".join(order) + "\n", encoding="ascii")
