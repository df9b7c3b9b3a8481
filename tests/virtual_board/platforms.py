"""What the kinds of board differ in: processor, kernel packages, compiler, and the emulator's words for it all.

They are one machine to everything above: the same lines, wires, pulse source, users and boot scripts.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

KernelName = Literal["plain", "rt", "arm64", "armhf"]

# What the initial RAM disk loads; dependencies come from the kernel's own tables.
_BOOT_MODULES = ("virtio_pci", "virtio_blk", "virtio_net", "virtio_console", "virtio_rng", "crc32c_generic", "ext4",
                 "configfs")  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Platform:
    """One kind of board.

    Attributes:
        flavour: the last part of the kernel packages' names.
        architecture: as Debian names it.
        kernel_arch: as the kernel's build system names it.
        cross: prefix of the compiler's programs; "" where this computer's own serves.
        tools: Debian packages needed beside those that every kind needs.
        emulator: program and the words that say which machine.
        console: the guest's first serial port.
        kernel_words: further words on the kernel's command line.
        elf: the kernel is entered as an ELF file taken out of the image; else the image is started as it is.
        modules: loaded in the initial RAM disk.
        gpiod_platforms: wheel tags under which the gpiod package is looked for; none where there is no wheel.
    """

    flavour: str
    architecture: str = "amd64"
    kernel_arch: str = "x86"
    cross: str = ""
    tools: tuple[str, ...] = ("qemu-system-x86",)
    emulator: tuple[str, ...] = ("qemu-system-x86_64", "-M", "pc", "-cpu", "max")
    console: str = "ttyS0"
    kernel_words: str = "tsc=reliable"
    elf: bool = True
    modules: tuple[str, ...] = field(default=(*_BOOT_MODULES, "crc32c_intel"))
    gpiod_platforms: tuple[str, ...] = ("manylinux_2_17_x86_64", "manylinux2014_x86_64", "manylinux_2_28_x86_64")

    @property
    def foreign(self) -> bool:
        """Whether this computer's processor cannot run its programs."""
        return bool(self.cross)


PLATFORMS: dict[KernelName, Platform] = {
    "plain": Platform(flavour="amd64"),
    "rt": Platform(flavour="rt-amd64"),
    "arm64": Platform(
        flavour="arm64",
        architecture="arm64",
        kernel_arch="arm64",
        cross="aarch64-linux-gnu-",
        tools=("qemu-system-arm", "gcc-aarch64-linux-gnu", "libc6-dev-arm64-cross", "python3"),
        emulator=("qemu-system-aarch64", "-M", "virt", "-cpu", "cortex-a72"),
        console="ttyAMA0",
        kernel_words="",
        elf=False,
        modules=(*_BOOT_MODULES, "virtio_mmio"),
        gpiod_platforms=("manylinux_2_17_aarch64", "manylinux2014_aarch64", "manylinux_2_28_aarch64"),
    ),
    "armhf": Platform(
        flavour="armmp",
        architecture="armhf",
        kernel_arch="arm",
        cross="arm-linux-gnueabihf-",
        tools=("qemu-system-arm", "gcc-arm-linux-gnueabihf", "libc6-dev-armhf-cross", "python3"),
        # 32-bit PCI windows: without large addresses the kernel maps none above 4 GB.
        emulator=("qemu-system-arm", "-M", "virt,highmem=off", "-cpu", "cortex-a15"),
        console="ttyAMA0",
        kernel_words="",
        elf=False,
        modules=(*_BOOT_MODULES, "virtio_mmio"),
        gpiod_platforms=(),
    ),
}
KERNELS: tuple[KernelName, ...] = tuple(PLATFORMS)
