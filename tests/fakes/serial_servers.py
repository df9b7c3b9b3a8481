"""Foreign programs that offer a serial port of this computer on the network: socat and ser2net, from their packages."""

from __future__ import annotations

import contextlib
import socket
import subprocess
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

from tests.tools import need

_START_S = 20.0


def free_port() -> int:
    """A TCP port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextlib.contextmanager
def by_socat(device: str) -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
    """socat gives a device to one connection after another. Yields the port's name and the process."""
    number = free_port()
    command = [
        str(need("socat", "socat")),
        f"TCP-LISTEN:{number},bind=127.0.0.1,reuseaddr,fork",
        f"{device},raw,echo=0",
    ]
    with _serving(command, number) as process:
        yield f"socket://127.0.0.1:{number}", process


@contextlib.contextmanager
def by_ser2net(device: str, folder: Path, rfc2217: bool, baud: int = 115_200) -> Iterator[str]:
    """ser2net offers a device, plainly or by RFC 2217. Yields the port's name."""
    number = free_port()
    accepter = f"{'telnet(rfc2217),' if rfc2217 else ''}tcp,127.0.0.1,{number}"
    config = folder / "ser2net.yaml"
    config.write_text(
        f"connection: &bench\n  accepter: {accepter}\n  connector: serialdev,{device},{baud}n81,local\n",
        encoding="ascii",
    )
    program = str(need("ser2net", "ser2net"))
    with _serving([program, "-n", "-d", "-c", str(config)], number):
        yield f"{'rfc2217' if rfc2217 else 'socket'}://127.0.0.1:{number}"


@contextlib.contextmanager
def offered(server: str, device: str, folder: Path) -> Iterator[str]:
    """A device on the network by `socat`, `ser2net` or ser2net's `rfc2217`. Yields the port's name."""
    if server == "socat":
        with by_socat(device) as (port, _):
            yield port
    else:
        with by_ser2net(device, folder, rfc2217=server == "rfc2217") as port:
            yield port


@contextlib.contextmanager
def _serving(command: Sequence[str], number: int) -> Iterator[subprocess.Popen[bytes]]:
    """Run a server until it listens, and end it afterwards; the kernel's table of sockets says when."""
    process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        end = time.monotonic() + _START_S
        while f":{number:04X} 00000000:0000 0A" not in Path("/proc/net/tcp").read_text(encoding="ascii"):
            assert process.poll() is None, command
            assert time.monotonic() < end, command
            time.sleep(0.02)
        yield process
    finally:
        process.terminate()
        process.wait(10)
