"""A board with next to nothing, reached through the virtual board that it runs inside."""

from __future__ import annotations

import contextlib
import select
import subprocess
from collections.abc import Iterator
from pathlib import Path

from tests.virtual_board import VirtualBoard

SCRIPT = Path(__file__).parent / "guest" / "small_system.sh"
PYTHON = "/opt/python/bin/python3.11"
PORT, START_S = 2222, 120.0
_SSH_CONFIG = """\
Host {host}
    HostName 127.0.0.1
    Port {port}
    User bench
    ProxyCommand ssh -F {outer} -W %h:%p {root}
    IdentityFile {folder}/client_key
    IdentitiesOnly yes
    UserKnownHostsFile {known}
    GlobalKnownHostsFile /dev/null
    HostKeyAlias small
    StrictHostKeyChecking yes
    PasswordAuthentication no
    BatchMode yes
"""


@contextlib.contextmanager
def small_system(
    board: VirtualBoard, folder: Path, *, tmp: str = "1m", python: str = PYTHON, groups: str = "gpio"
) -> Iterator[Path]:
    """Run one for the length of a block.

    Args:
        board: what it runs inside.
        folder: where the ssh configuration goes.
        tmp: size of its /tmp.
        python: where its interpreter is, "none" for no interpreter.
        groups: "gpio", or "none" for a user that may use no lines.

    Yields: an ssh configuration in which `board.host` leads there.
    """
    board.run("cat > /run/small_system.sh", 30, root=True, stdin=SCRIPT.read_text(encoding="utf-8"))
    words = board.ssh_command(f"echo $$ && exec sh /run/small_system.sh {tmp} {python} {groups}", root=True)
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        pid = int(process.stdout.readline())
        try:
            said = [_line(process) for _ in range(2)]
            assert said[1] == "ready", (said, process.stderr.read())
            known, config = folder / "known", folder / "ssh_config"
            known.write_text(f"small {said[0]}\n", encoding="ascii")
            outer = board.ssh_config
            config.write_text(
                _SSH_CONFIG.format(
                    host=board.host, port=PORT, outer=outer, root=board.host_root, folder=outer.parent, known=known
                ),
                encoding="utf-8",
            )
            yield config
        finally:
            # Sessions that dropbear has forked end with their connections.
            board.run(f"kill {pid} 2>/dev/null || true", 30, root=True)
            process.kill()


def _line(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    assert process.stderr is not None
    assert select.select([process.stdout], [], [], START_S)[0], "the small system did not start"
    return process.stdout.readline().strip()
