"""The kernel: Debian's image made bootable by the emulator, its boot modules, and the driver sources we build."""

from __future__ import annotations

import shutil
from pathlib import Path

from tests.virtual_board import cache, packages
from tests.virtual_board.foreign import ForeignPackages
from tests.virtual_board.packages import KernelPackages
from tests.virtual_board.platforms import Platform
from tests.virtual_board.steps import run, say

TARBALL = Path("/usr/src/linux-source-6.1.tar.xz")
DRIVERS = ("kernel/irq/irq_sim.c", "drivers/gpio/gpio-sim.c", "drivers/gpio/gpiolib.h")
EXTRACTOR = "scripts/extract-vmlinux"
KBUILD = "linux-kbuild-6.1"


def key(kernel: KernelPackages, platform: Platform) -> str:
    """Names the product of `build` after all of its inputs."""
    return cache.key([kernel.release, kernel.version, repr(platform)], [Path(__file__)])


def build(kernel: KernelPackages, platform: Platform, into: Path) -> None:
    """Makes `vmlinux`, `modules/*.ko`, `modules/order`, `drivers/` and `headers` in an empty directory."""
    tarball = _source(kernel, into)
    say("taking driver sources out of the kernel source package")
    wanted = [f"linux-source-6.1/{path}" for path in (*DRIVERS, EXTRACTOR)]
    run("extraction of driver sources", ["tar", "-xJf", str(tarball), *wanted], timeout_s=300, cwd=into)
    shutil.rmtree(into / "source", ignore_errors=True)
    tree = into / "linux-source-6.1"
    drivers = into / "drivers"
    drivers.mkdir()
    for path in DRIVERS:
        (tree / path).rename(drivers / Path(path).name)

    image = into / "image"
    image.mkdir()
    if platform.foreign:
        ForeignPackages().unpack(kernel.image, kernel.version, platform.architecture, image)
        _foreign_headers(kernel, platform, into / "tools")
        headers = into / "tools/usr/src" / f"linux-headers-{kernel.release}"
    else:
        package = packages.download(kernel.image, kernel.version, into)
        say("unpacking the kernel")
        run("unpacking the kernel image", ["dpkg-deb", "-x", str(package), str(image)], timeout_s=120)
        package.unlink()
        headers = Path("/usr/src") / f"linux-headers-{kernel.release}"
    (into / "headers").symlink_to(headers.relative_to(into) if platform.foreign else headers)
    vmlinuz = image / "boot" / f"vmlinuz-{kernel.release}"
    if platform.elf:
        # an ELF kernel is entered directly, without decompressing itself under emulation: 5 s instead of 8
        elf = run("extraction of vmlinux", ["sh", str(tree / EXTRACTOR), str(vmlinuz)], timeout_s=120)
        (into / "vmlinux").write_bytes(elf)
    else:
        shutil.copy(vmlinuz, into / "vmlinux")
    _collect(kernel, platform, image, into / "modules")

    shutil.rmtree(tree)
    shutil.rmtree(image)


def _source(kernel: KernelPackages, into: Path) -> Path:
    """The kernel's source, of the kernel's own version: a driver's private headers may differ in others."""
    if packages.source_version() == kernel.version:
        return TARBALL
    place = into / "source"
    place.mkdir()
    ForeignPackages().unpack(packages.SOURCE, kernel.version, "amd64", place)
    return place / TARBALL.relative_to("/")


def _foreign_headers(kernel: KernelPackages, platform: Platform, into: Path) -> None:
    """Headers for another processor, and the build tools they need as programs of this one, in one tree."""
    into.mkdir()
    archive = ForeignPackages()
    for name, architecture in (
        (kernel.headers, platform.architecture),
        (f"linux-headers-{kernel.abi}-common", "amd64"),  # for all
        (KBUILD, "amd64"),
    ):
        archive.unpack(name, kernel.version, architecture, into)
    # theirs names a place in /usr/src
    makefile = into / "usr/src" / f"linux-headers-{kernel.release}" / "Makefile"
    makefile.write_text(f"include ../linux-headers-{kernel.abi}-common/Makefile\n", encoding="ascii")


def _collect(kernel: KernelPackages, platform: Platform, image: Path, into: Path) -> None:
    into.mkdir()
    run("module index", ["/sbin/depmod", "-b", str(image), kernel.release], timeout_s=60)
    order: list[str] = []
    for name in platform.modules:
        command = ["/sbin/modprobe", "-d", str(image), "-S", kernel.release, "--show-depends", name]
        for line in run(f"dependencies of {name}", command, timeout_s=30).decode().splitlines():
            kind, _, rest = line.partition(" ")
            path = Path(rest.split()[0])
            if kind == "insmod" and path.name not in order:
                shutil.copy(path, into)
                order.append(path.name)
    (into / "order").write_text("\n".join(order) + "\n", encoding="ascii")
