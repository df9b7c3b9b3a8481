"""A board across a network of its own: an ssh server in a network namespace, behind a wire that can be slow or lossy.

Only the network is apart. Files are shared, so the virtual pulse source's socket can be reached from the far side;
frames go over real TCP. The kernel's bucket filter makes the wire slow and drops what does not fit its queue; a rule of
the packet filter drops packets at random. Both drop without a word, as radio and bad plugs do.
"""

from __future__ import annotations

import contextlib
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.integration.commands import await_that, bench_text
from tests.tools import need

WAIT_S = 30.0
SSHD = """
ListenAddress {far}
HostKey {folder}/host_key
AuthorizedKeysFile {folder}/user_key.pub
PidFile none
UsePAM no
StrictModes no
PasswordAuthentication no
SetEnv XDG_CACHE_HOME={folder}/cache
"""
SSH = """
Host far
HostName {far}
User root
IdentityFile {folder}/user_key
IdentitiesOnly yes
UserKnownHostsFile {folder}/known
StrictHostKeyChecking accept-new
LogLevel ERROR
"""


RULES = """
table inet lossy_{hook} {{
    chain lost {{
        type filter hook {hook} priority 0;
        iifname "{end}" numgen random mod 100 lt {percent} counter drop
        oifname "{end}" numgen random mod 100 lt {percent} counter drop
    }}
}}
"""


def _do(*words: str | Path, text: str = "") -> str:
    command = [str(word) for word in words]
    done = subprocess.run(command, input=text, capture_output=True, text=True, timeout=WAIT_S, check=False)
    assert done.returncode == 0, f"{' '.join(map(str, words))}: {done.stderr}"
    return done.stdout


class FarBoard:
    """The far side.

    Args:
        folder: for keys and settings.
        number: of this one among those of the computer, 0 to 16383: it makes names and addresses unlike.
    """

    def __init__(self, folder: Path, number: int) -> None:
        self.folder = folder
        self.space, self.near_end, self.far_end = f"edgereply-{number}", f"ern{number}", f"erf{number}"
        net = f"10.213.{number >> 6}"
        first = (number & 63) * 4
        self.near, self.far = f"{net}.{first + 1}", f"{net}.{first + 2}"

    @contextlib.contextmanager
    def up(self) -> Iterator[FarBoard]:
        """Wire and server are there; both are gone afterwards, with everything that runs on the far side."""
        with contextlib.ExitStack() as down:
            _do("ip", "netns", "add", self.space)
            down.callback(_do, "ip", "netns", "del", self.space)
            _do("ip", "link", "add", self.near_end, "type", "veth", "peer", "name", self.far_end, "netns", self.space)
            # A namespace lingers after its name is gone, and so would the near end of the wire.
            down.callback(_do, "ip", "link", "del", self.near_end)
            down.callback(self._kill)
            _do("ip", "addr", "add", f"{self.near}/30", "dev", self.near_end)
            _do("ip", "link", "set", self.near_end, "up")
            self._there("ip", "addr", "add", f"{self.far}/30", "dev", self.far_end)
            self._there("ip", "link", "set", self.far_end, "up")
            with self._server():
                yield self

    def bench(self, count: int, rate: str = "500/s") -> str:
        """A bench file with this board."""
        board = f'link = "ssh"\nhost = "far"\nssh_config = "{self.folder}/ssh_config"\npython = "{sys.executable}"'
        return bench_text(count=count, rate=rate).replace('link = "local"', board)

    def slow(self, rate: str) -> None:
        """Both directions carry so much and queue for 10 ms; what is more is dropped."""
        queue = ["tbf", "rate", rate, "burst", "4k", "latency", "10ms"]
        _do("tc", "qdisc", "replace", "dev", self.near_end, "root", *queue)
        self._there("tc", "qdisc", "replace", "dev", self.far_end, "root", *queue)

    def lossy(self, percent: int) -> None:
        """So many of a hundred packets are dropped at random in either direction."""
        for hook in ("input", "output"):
            _do(
                "ip",
                "netns",
                "exec",
                self.space,
                "nft",
                "-f",
                "-",
                text=RULES.format(hook=hook, end=self.far_end, percent=percent),
            )

    def cut(self) -> None:
        """Nothing passes any more, and nobody is told."""
        self._there("ip", "link", "set", self.far_end, "down")

    def dropped(self) -> int:
        """Packets that were lost so far."""
        queues = _do("tc", "-s", "qdisc", "show", "dev", self.near_end)
        queues += self._there("tc", "-s", "qdisc", "show", "dev", self.far_end)
        rules = self._there("nft", "list", "ruleset")
        found = re.findall(r"\(dropped (\d+)", queues) + re.findall(r"counter packets (\d+)", rules)
        return sum(map(int, found))

    def processes(self) -> list[int]:
        """All processes on the far side."""
        return [int(pid) for pid in _do("ip", "netns", "pids", self.space).split()]

    def agents(self) -> list[str]:
        """The agent's processes there."""
        found = []
        for pid in self.processes():
            with contextlib.suppress(OSError):
                words = Path(f"/proc/{pid}/cmdline").read_text().split("\0")
                if "edgereply-agent" in words:
                    found.append(f"{pid} {' '.join(words)}"[:200])
        return found

    def _kill(self) -> None:
        for pid in self.processes():
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, 9)

    def _there(self, *words: str) -> str:
        return _do("ip", "netns", "exec", self.space, *words)

    @contextlib.contextmanager
    def _server(self) -> Iterator[None]:
        for name in ("host_key", "user_key"):
            _do("ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", self.folder / name)
        for name, text in (("sshd_config", SSHD), ("ssh_config", SSH)):
            (self.folder / name).write_text(text.format(far=self.far, folder=self.folder), encoding="ascii")
        Path("/run/sshd").mkdir(mode=0o755, exist_ok=True)
        command = ["ip", "netns", "exec", self.space, str(need("sshd", "openssh-server")), "-D", "-e", "-f"]
        with (self.folder / "sshd.log").open("wb") as log:
            server = subprocess.Popen(
                [*command, str(self.folder / "sshd_config")], stdin=subprocess.DEVNULL, stderr=log
            )
        try:
            ask = ["ssh", "-F", str(self.folder / "ssh_config"), "far", "true"]
            await_that(
                lambda: subprocess.run(ask, capture_output=True, timeout=WAIT_S, check=False).returncode == 0,
                lambda: (self.folder / "sshd.log").read_text(),
            )
            yield
        finally:
            server.kill()
            server.wait(WAIT_S)


@pytest.fixture
def far_board(tmp_path: Path) -> Iterator[FarBoard]:
    """A board behind a good wire."""
    if os.geteuid() != 0:
        pytest.fail(
            "making a network namespace takes root: run this test as root, or leave it out with -k 'not network'"
        )
    for command, package in (("ip", "iproute2"), ("tc", "iproute2"), ("nft", "nftables"), ("ssh", "openssh-client")):
        need(command, package)
    folder = tmp_path / "far"
    folder.mkdir(mode=0o700)
    with FarBoard(folder, os.getpid() % 16384).up() as board:
        yield board
