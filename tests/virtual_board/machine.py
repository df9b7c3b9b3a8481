"""The emulator's process: its command line, its serial device, its console."""

from __future__ import annotations

import contextlib
import os
import socket
import subprocess
import tty
from collections.abc import Sequence
from pathlib import Path

from tests.virtual_board.build import Products

PINS_SOCKET, MONITOR_SOCKET = "pins", "monitor"
SOURCE_PORT_NAME = "edgereply.source"
MEMORY_MB = 384
_LISTENING = "server=on,wait=off"


def free_port() -> int:
    """Returns: a loopback TCP port that was free a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def command(
    products: Products,
    *,
    ssh_port: int,
    console: Path,
    source_fd: int,
    icount: bool,
    pins: bool = False,
    usb: bool = False,
    disks: Sequence[Path] = (),
    memory_mb: int = MEMORY_MB,
) -> list[str]:
    """The emulator's command line.

    Args:
        products: files to boot from; none is written to.
        ssh_port: loopback port that leads to the guest's sshd.
        console: file that takes the guest's console.
        source_fd: open terminal that the guest's pulse source is connected to.
        icount: guest time counts instructions (2 ns each) instead of following the host's clock.
        pins: sockets beside the console lead to the pins of the machine's own devices; see `pins.py`.
        usb: it has a USB controller, and a socket beside the console leads to the monitor; see `usb_drive.py`.
        disks: images of further disks, which the guest can only read.
        memory_mb: the guest's memory.
    """
    # One CPU: with two, translation loses edges. One thread with icount, which needs it.
    timing = ["-accel", "tcg,thread=single", "-icount", "shift=1"] if icount else ["-accel", "tcg,thread=multi"]
    words = products.platform.kernel_words
    return [
        # whatever becomes of us, no emulator is left behind
        *("setpriv", "--pdeathsig", "KILL", *products.platform.emulator),
        *("-nodefaults", "-no-user-config", "-display", "none"),
        *timing,
        *("-smp", "1", "-m", str(memory_mb)),
        *("-kernel", str(products.vmlinux), "-initrd", str(products.initrd)),
        *("-append", f"console={products.platform.console} {words} quiet panic=-1 net.ifnames=0"),
        *("-drive", f"file={products.image},format=raw,if=none,id=disk,snapshot=on"),
        *("-device", "virtio-blk-pci,drive=disk"),
        *(word for number, disk in enumerate(disks) for word in _further_disk(number, disk)),
        *("-netdev", f"user,id=net,restrict=on,hostfwd=tcp:127.0.0.1:{ssh_port}-:22"),
        *("-device", "virtio-net-pci,netdev=net,romfile="),
        *("-device", "virtio-rng-pci"),
        *("-device", "virtio-serial-pci"),
        *("-add-fd", f"fd={source_fd},set=1"),
        *("-chardev", "serial,id=source,path=/dev/fdset/1"),
        *("-device", f"virtserialport,chardev=source,name={SOURCE_PORT_NAME}"),
        *("-chardev", f"file,id=console,path={console}"),
        *("-serial", "chardev:console"),
        *(_pin_sockets(console.parent) if pins else ()),
        *(("-device", "qemu-xhci") if usb else ()),
        *(_monitor(console.parent) if pins or usb else ()),
    ]


def _further_disk(number: int, image: Path) -> tuple[str, ...]:
    drive = f"file={image},format=raw,if=none,id=further{number},readonly=on"
    return ("-drive", drive, "-device", f"virtio-blk-pci,drive=further{number}")


def _pin_sockets(folder: Path) -> tuple[str, ...]:
    return ("-qtest", f"unix:{folder / PINS_SOCKET},{_LISTENING}", "-qtest-log", "none")


def _monitor(folder: Path) -> tuple[str, ...]:
    return ("-qmp", f"unix:{folder / MONITOR_SOCKET},{_LISTENING}")


class Machine:
    """One running emulator with a terminal pair for its pulse source.

    The emulator holds the far end of the terminal itself, so nothing of ours sits in the byte stream. We keep the
    near end open: otherwise the emulator would see a hang-up whenever no one listens.
    """

    def __init__(
        self,
        products: Products,
        *,
        ssh_port: int,
        folder: Path,
        icount: bool,
        pins: bool = False,
        usb: bool = False,
        disks: Sequence[Path] = (),
        memory_mb: int = MEMORY_MB,
    ) -> None:
        self.console = folder / "console.log"
        self.serial_port = folder / "pulse-source"
        far, near = os.openpty()
        self._near: int | None = near
        try:
            tty.setraw(near)
            self.serial_port.symlink_to(os.ttyname(near))
            line = command(
                products,
                ssh_port=ssh_port,
                console=self.console,
                source_fd=far,
                icount=icount,
                pins=pins,
                usb=usb,
                disks=disks,
                memory_mb=memory_mb,
            )
            with (folder / "emulator.log").open("wb") as log:
                self._process = subprocess.Popen(
                    line, stdin=subprocess.DEVNULL, stdout=log, stderr=log, pass_fds=[far], start_new_session=True
                )
        except BaseException:
            os.close(near)
            raise
        finally:
            os.close(far)

    @property
    def running(self) -> bool:
        return self._process.poll() is None

    @property
    def pid(self) -> int:
        return self._process.pid

    def console_tail(self, characters: int = 1500) -> str:
        """Returns: the end of the guest's console and of the emulator's own messages."""
        texts = []
        for path in (self.console.parent / "emulator.log", self.console):
            with contextlib.suppress(FileNotFoundError):
                texts.append(path.read_text(errors="replace")[-characters:])
        return "\n".join(texts)

    def kill(self) -> None:
        """Ends the emulator at once, as pulling the board's plug would; does nothing when it has ended."""
        if self._process.poll() is None:
            self._process.kill()
        self._process.wait(timeout=10)
        if self._near is not None:
            os.close(self._near)
            self._near = None
