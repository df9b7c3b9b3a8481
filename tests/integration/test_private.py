"""What the page on threats says of other users: nothing listens on the network, and a run is its owner's alone."""

from __future__ import annotations

import contextlib
import os
import re
import signal
import socket
import stat
from pathlib import Path

from tests.integration.commands import Workplace, bench_text

ROOT = Path(__file__).parents[2]
TABLES = ("tcp", "tcp6", "udp", "udp6")


def network_sockets() -> set[str]:
    """Inodes of the sockets that have an address of the internet protocols."""
    found = set()
    for table in TABLES:
        with contextlib.suppress(OSError):
            found |= {line.split()[9] for line in Path(f"/proc/net/{table}").read_text().splitlines()[1:]}
    return found


def held_by(pid: int) -> set[str]:
    """Inodes of the sockets a process holds."""
    found = set()
    with contextlib.suppress(OSError):
        for fd in Path(f"/proc/{pid}/fd").iterdir():
            with contextlib.suppress(OSError):
                if at := re.fullmatch(r"socket:\[(\d+)\]", str(fd.readlink())):
                    found.add(at[1])
    return found


def test_a_listening_socket_would_be_seen() -> None:
    with socket.create_server(("127.0.0.1", 0)):
        assert held_by(os.getpid()) & network_sockets()


def test_nothing_listens_and_the_run_is_private(place: Workplace) -> None:
    place.write(bench_text(rate="500/s", count=60_000))
    running = place.start("measure", "--json", "--out", "run")
    run = place.root / "run"
    running.until_committed(run)
    taken = {pid: held_by(pid) for pid in place.processes()}
    assert len(taken) >= 4, "host, source, agent and responder"
    assert any(taken.values()), "the virtual wires are sockets too, of no network"
    assert not set().union(*taken.values()) & network_sockets()
    running.signal(signal.SIGINT)
    assert running.end().code == 130
    folders = [run, *(path for path in run.rglob("*") if path.is_dir())]
    assert len(folders) > 2
    assert [path for path in folders if stat.S_IMODE(path.stat().st_mode) & 0o077] == []


def test_every_test_the_page_names_is_there() -> None:
    named = re.findall(r"`(tests/[\w/]+\.py)`", (ROOT / "docs/threat-model.md").read_text(encoding="utf-8"))
    assert len(named) > 10
    assert [path for path in named if not (ROOT / path).is_file()] == []
