"""A USB drive that is plugged into a running board and pulled out again, with the kernel's own drivers for it.

The board is a laptop here: Debian's kernel finds the drive on its USB controller, and its FAT driver mounts it. The
drive's medium is an image file of this computer, so that every block can be seen as it arrives.
"""

from __future__ import annotations

import contextlib
import io
import tarfile
import time
from dataclasses import replace
from pathlib import Path

from tests.virtual_board import cache, kernel, packages
from tests.virtual_board.board import VirtualBoard
from tests.virtual_board.errors import BoardError
from tests.virtual_board.machine import MONITOR_SOCKET
from tests.virtual_board.monitor import Monitor
from tests.virtual_board.platforms import PLATFORMS

DRIVERS = ("xhci_pci", "usb_storage", "sd_mod", "vfat", "nls_ascii", "nls_cp437")
NAME = "drive"
PATIENCE_S = 30.0
_LOAD = """\
set -e
[ -e /tmp/drivers ] && exit 0
mkdir /tmp/drivers && cd /tmp/drivers && tar -x
while read -r module; do
    case $module in usb-storage.ko) more=delay_use=0 ;; *) more= ;; esac
    insmod $module $more
done < order
"""
_MOUNT = """\
set -e
tries=0
until [ -b /dev/sda ] || [ $tries -gt 200 ]; do sleep 0.05; tries=$((tries + 1)); done
mkdir -p /media/boot
mount -t vfat -o nosuid,nodev,relatime,uid=bench,gid=bench,fmask=0022,dmask=0022 /dev/sda /media/boot
"""


class UsbDrive:
    """A place for one drive.

    Args:
        board: running, with a USB controller.
    """

    def __init__(self, board: VirtualBoard) -> None:
        self._board = board
        board.run_bytes(_LOAD, 120, root=True, stdin=_drivers())

    def plug_in(self, image: Path) -> None:
        """Plug a drive with that medium in, and have it mounted at /media/boot for the board's user."""
        medium = {"driver": "file", "filename": str(image)}
        with self._monitor() as monitor:
            monitor.ask("blockdev-add", **{"driver": "raw", "node-name": NAME, "file": medium})
            monitor.ask("device_add", driver="usb-storage", id=NAME, drive=NAME)
        self._board.run(_MOUNT, 60, root=True)

    def pull_out(self) -> None:
        """Take it away without a word to the kernel; nothing arrives on the medium any more."""
        with self._monitor() as monitor:
            monitor.ask("device_del", id=NAME)
            end = time.monotonic() + PATIENCE_S
            while True:  # the emulator lets go of the medium once the guest's requests have come back
                try:
                    monitor.ask("blockdev-del", **{"node-name": NAME})
                    return
                except BoardError:
                    if time.monotonic() > end:
                        raise
                    time.sleep(0.01)

    def forget(self) -> None:
        """Let the kernel forget the mounted drive, whether it is gone or not."""
        self._board.run("umount -l /media/boot; true", 30, root=True)
        with contextlib.suppress(BoardError):
            self.pull_out()

    def _monitor(self) -> Monitor:
        return Monitor(self._board.console.parent / MONITOR_SOCKET)


def _drivers() -> bytes:
    """The modules of the board's kernel and the order in which they are loaded, as an archive."""
    with cache.locked():
        chosen = packages.provide("plain")
        platform = replace(PLATFORMS["plain"], modules=DRIVERS)
        name = f"kernel-usb-{kernel.key(chosen, platform)}"
        made = cache.product(name, lambda into: kernel.build(chosen, platform, into))
    archive = io.BytesIO()
    with tarfile.open(fileobj=archive, mode="w") as tar:
        for path in sorted((made / "modules").iterdir()):
            tar.add(path, path.name)
    return archive.getvalue()
