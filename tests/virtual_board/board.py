"""A running virtual board: ssh to it, a serial device for its pulse source, wires, and its end."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType

from tests.virtual_board.build import KernelName, Products, build
from tests.virtual_board.errors import BoardError
from tests.virtual_board.machine import MEMORY_MB, Machine, free_port

HOST = "edgereply-virtual"
HOST_ROOT = "edgereply-virtual-root"
CHIP_LABEL = "reject-gate"
DEFAULT_WIRES = ("source:stimulus->EYE_IN", "REJECT_OUT->source:response", "REJECT_OUT->CAPTURE_IN")
SELF_WIRES = ("STIM_OUT->EYE_IN", "REJECT_OUT->CAPTURE_IN")
BOOT_TIMEOUT_S = 400.0  # 6 s on an idle computer, minutes on a crowded one

_SSH_CONFIG = """\
Host {host} {root}
    HostName 127.0.0.1
    Port {port}
    IdentityFile {folder}/client_key
    IdentitiesOnly yes
    UserKnownHostsFile {folder}/known_hosts
    GlobalKnownHostsFile /dev/null
    HostKeyAlias {host}
    HostKeyAlgorithms ssh-ed25519
    StrictHostKeyChecking yes
    PasswordAuthentication no
    BatchMode yes
    ConnectTimeout 10
    LogLevel ERROR
Host {host}
    User bench
Host {root}
    User root
"""


class VirtualBoard:
    """A board in an emulator, from power-on at `__enter__` to power-off at `__exit__`.

    Everything measured on it is virtual: function and relative cost, nothing about hardware.
    Not thread-safe; several boards may run at once.

    Attributes:
        ssh_config: configuration for `ssh -F`, with hosts `host` (unprivileged user "bench") and `host_root`.
        serial_port: terminal device of the pulse source, for pyserial.
        console: file with the guest's console.
        release: what `uname -r` says on the board.
    """

    host = HOST
    host_root = HOST_ROOT
    chip_label = CHIP_LABEL

    def __init__(
        self,
        kernel: KernelName = "plain",
        *,
        icount: bool = False,
        pins: bool = False,
        usb: bool = False,
        disks: Sequence[Path] = (),
        memory_mb: int = MEMORY_MB,
    ) -> None:
        """Prepares a board; nothing happens before `__enter__`.

        Args:
            kernel: "plain", "rt" (PREEMPT_RT), "arm64" or "armhf".
            icount: the board's time counts instructions, so that it hardly depends on what else the host does.
            pins: the pins of the machine's own GPIO controllers can be reached; see `pins.py`.
            usb: it has a USB controller that drives can be plugged into; see `usb_drive.py`.
            disks: images of further disks, /dev/vdb and on, which the board can only read; see `runtimes.py`.
            memory_mb: the board's memory.
        """
        self.kernel = kernel
        self.pins = pins
        self._usb = usb
        self.icount = icount
        self._disks, self._memory_mb = tuple(disks), memory_mb
        self._folder: Path | None = None
        self._machine: Machine | None = None
        self.boot_s = 0.0
        self._boots = 0

    def __enter__(self) -> VirtualBoard:
        products = build(self.kernel)
        self.release = products.release
        folder = Path(tempfile.mkdtemp(prefix="edgereply-board-"))
        self._folder = folder
        try:
            started = time.monotonic()
            port = free_port()
            self._write_ssh_files(products, folder, port)
            self._boots = 0
            self._machine = Machine(
                products,
                ssh_port=port,
                folder=folder,
                icount=self.icount,
                pins=self.pins,
                usb=self._usb,
                disks=self._disks,
                memory_mb=self._memory_mb,
            )
            self.console = self._machine.console
            self.serial_port = str(self._machine.serial_port)
            self._wait_until_up(None)
            self.boot_s = time.monotonic() - started
            self._share_logins()
        except BaseException:
            self.close()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Powers the board off and removes its files; may be called twice."""
        if self._machine is not None:
            self._machine.kill()
        if self._folder is not None:
            shutil.rmtree(self._folder, ignore_errors=True)

    @property
    def running(self) -> bool:
        """Whether the emulator is alive."""
        return self._machine is not None and self._machine.running

    def console_tail(self) -> str:
        """Returns: the end of the board's console and of the emulator's messages."""
        return self._machine.console_tail() if self._machine else ""

    def kill(self) -> None:
        """Takes the board's power away; links to it drop, its files stay until `close`."""
        if self._machine is not None:
            self._machine.kill()

    def run_bytes(self, command: str, timeout_s: float, *, root: bool = False, stdin: bytes = b"") -> bytes:
        """Runs a command on the board over ssh.

        Args:
            command: one shell line.
            timeout_s: deadline for login and command together.
            root: as root instead of the unprivileged user.
            stdin: fed to the command.

        Returns: its standard output.

        Raises: BoardError: exit code not 0 (the message has its stderr), or the deadline passed.
        """
        try:
            words = self.ssh_command(command, root=root)
            words[1:1] = self._shared(root)
            done = subprocess.run(words, capture_output=True, input=stdin, timeout=timeout_s, check=False)
        except subprocess.TimeoutExpired as error:
            raise BoardError(f"not done on the board after {timeout_s} s: {command}") from error
        if done.returncode != 0:
            reason = done.stderr.decode(errors="replace").strip()
            raise BoardError(f"exit {done.returncode} on the board from {command}: {reason}")
        return done.stdout

    def run(self, command: str, timeout_s: float, *, root: bool = False, stdin: str = "") -> str:
        """As `run_bytes`, with text."""
        return self.run_bytes(command, timeout_s, root=root, stdin=stdin.encode()).decode(errors="replace")

    def _shared(self, root: bool) -> list[str]:
        return ["-o", f"ControlPath={self.ssh_config.parent / ('login-root' if root else 'login')}"]

    def _share_logins(self) -> None:
        """Opens one connection per user for all calls of `run`: a login costs a second of emulated cryptography."""
        for root in (False, True):
            words = ["ssh", "-F", str(self.ssh_config), *self._shared(root), "-MNf", HOST_ROOT if root else HOST]
            nowhere = subprocess.DEVNULL  # it stays in the background, and would hold a pipe open
            subprocess.run(words, stdin=nowhere, stdout=nowhere, stderr=nowhere, timeout=60, check=False)

    def _end_shared_logins(self) -> None:
        for root in (False, True):
            words = ["ssh", "-F", str(self.ssh_config), *self._shared(root), "-O", "exit", HOST_ROOT if root else HOST]
            subprocess.run(words, stdin=subprocess.DEVNULL, capture_output=True, timeout=30, check=False)

    def ssh_command(self, command: str, *, root: bool = False) -> list[str]:
        """Returns: the words that run one shell line on the board, for a process of the caller's own."""
        return ["ssh", "-F", str(self.ssh_config), HOST_ROOT if root else HOST, command]

    def wire(self, *wires: str) -> None:
        """Replaces the board's wiring.

        Args:
            wires: "FROM->TO", "!FROM->TO" (inverting) or "A=B" (two inputs shorted); names of lines, offsets,
                "source:stimulus", "source:response". None at all cuts every wire.

        Raises: BoardError: a pin does not exist or a wire makes no sense; the wiring is then as before.
        """
        # dd: one write, and it also happens when there is nothing to write
        text = "\n".join(wires) + "\n"
        self.run("dd bs=4096 of=/dev/edgereply-wires conv=notrunc status=none", 30, stdin=text)

    def wires(self) -> list[str]:
        """Returns: the present wiring."""
        return self.run("cat /dev/edgereply-wires", 30).splitlines()

    def reboot(self) -> None:
        """Restarts the board without warning and waits until it answers again; what was written to disk stays.

        Raises: BoardError: it did not come back in time.
        """
        before = self._boot_id(10.0)
        # the answer never comes, the network is gone before
        self.run("nohup sh -c 'sleep 0.2; /opt/edgereply/busybox reboot -f' >/dev/null 2>&1 &", 30, root=True)
        self._end_shared_logins()
        self._wait_until_up(before)
        self._share_logins()

    def _boot_id(self, timeout_s: float) -> str:
        return self.run("cat /proc/sys/kernel/random/boot_id", timeout_s).strip()

    def _wait_until_up(self, former_boot_id: str | None) -> None:
        deadline = time.monotonic() + BOOT_TIMEOUT_S
        reason = "no attempt made"
        while time.monotonic() < deadline:
            if not self.running:
                break
            # a login tried too early ends in long retransmission pauses
            if self.console.exists() and self.console.read_bytes().count(b"board: ready") <= self._boots:
                time.sleep(0.05)
                continue
            try:
                if self._boot_id(min(30.0, max(1.0, deadline - time.monotonic()))) != former_boot_id:
                    self._boots += 1
                    return
            except BoardError as error:
                reason = str(error)
            time.sleep(0.1)
        state = "still runs" if self.running else "has ended"
        raise BoardError(
            f"the virtual board did not come up, the emulator {state}; last attempt: {reason}\n{self.console_tail()}"
        )

    def _write_ssh_files(self, products: Products, folder: Path, port: int) -> None:
        shutil.copy(products.client_key, folder / "client_key")
        (folder / "client_key").chmod(0o600)
        (folder / "known_hosts").write_text(f"{HOST} {products.host_key}\n", encoding="ascii")
        self.ssh_config = folder / "ssh_config"
        text = _SSH_CONFIG.format(host=HOST, root=HOST_ROOT, port=port, folder=folder)
        self.ssh_config.write_text(text, encoding="utf-8")
