"""Building everything a board needs, each part once for as long as its inputs stay the same."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from tests.virtual_board import cache, initrd, kernel, modules, packages, rootfs
from tests.virtual_board.platforms import KERNELS, PLATFORMS, KernelName, Platform

__all__ = ["KERNELS", "KernelName", "Products", "build"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Products:
    """Files that one board boots from."""

    platform: Platform
    release: str  # what `uname -r` will say
    vmlinux: Path
    initrd: Path
    image: Path
    client_key: Path
    host_key: str  # one line: type and key


def build(which: KernelName) -> Products:
    """Builds what is not in the cache yet.

    Args:
        which: the kernel; the root file system is shared by all of one architecture.

    Returns: the files to boot from.

    Raises:
        PackagesMissingError: packages are missing and we are not root.
        BuildError: a step failed.
    """
    with cache.locked():
        chosen = packages.provide(which)
        platform = PLATFORMS[which]
        root_name = f"root-{platform.architecture}-{rootfs.key(platform)}"
        root = cache.product(root_name, lambda into: rootfs.build(platform, into))
        kernel_key = kernel.key(chosen, platform)
        built = cache.product(f"kernel-{which}-{kernel_key}", lambda into: kernel.build(chosen, platform, into))
        ours_key = modules.key(kernel_key)
        ours = cache.product(f"modules-{which}-{ours_key}", lambda into: modules.build(built, platform, into))
        disk_name = f"initrd-{which}-{initrd.key(ours_key)}"
        ram_disk = cache.product(disk_name, lambda into: initrd.build(built, ours, platform, into))
    return Products(
        platform=platform,
        release=chosen.release,
        vmlinux=built / "vmlinux",
        initrd=ram_disk / "initrd",
        image=root / "root.ext4",
        client_key=root / "client_key",
        host_key=" ".join((root / "host_key.pub").read_text(encoding="ascii").split()[:2]),
    )
