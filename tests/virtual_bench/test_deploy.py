"""Putting the agent on a board over the system's own ssh, with what real boards and real configurations do to it."""

from __future__ import annotations

import contextlib
import subprocess
from collections.abc import Iterator
from pathlib import Path, PurePosixPath
from typing import Any

import pytest

from tests.integration.commands import explained
from tests.virtual_bench.bench import VirtualBench

pytestmark = pytest.mark.virtual_board
CACHE = str(PurePosixPath("/home") / "bench" / ".cache" / "edgereply")


def deploy(bench: VirtualBench, *arguments: str) -> dict[str, Any]:
    done = bench.run("deploy", "--json", *arguments)
    assert done.code == 0, done.err
    return done.document


def configured(bench: VirtualBench, tmp_path: Path, old: str, new: str) -> Path:
    """A changed copy of the board's ssh configuration."""
    text = bench.board.ssh_config.read_text()
    assert old in text
    config = tmp_path / "ssh_config"
    config.write_text(text.replace(old, new))
    return config


def test_the_first_deployment_copies_and_the_second_does_not(bench: VirtualBench) -> None:
    deploy(bench, "--remove")
    assert bench.board.run(f"ls {CACHE} 2>/dev/null || true", 30) == ""
    first = deploy(bench)
    assert first["copied"] is True
    assert first["path"].startswith(CACHE)
    assert first["passed_over"] == []
    assert first["python_version"][:2] == [3, 11]
    stamp = f"stat -c %i.%Z {first['path']}"
    before = bench.board.run(stamp, 30)
    second = deploy(bench)
    assert (second["copied"], second["path"]) == (False, first["path"])
    assert bench.board.run(stamp, 30) == before
    assert bench.board.run(f"stat -c %U.%a {first['path']} {CACHE}", 30).split() == ["bench.600", "bench.700"]
    assert deploy(bench, "--remove")["removed"] == [CACHE]
    assert bench.board.run(f"ls {CACHE} 2>/dev/null || true", 30) == ""
    assert deploy(bench, "--remove")["removed"] == []


def test_a_damaged_file_on_the_board_is_replaced(bench: VirtualBench) -> None:
    path = deploy(bench)["path"]
    bench.board.run(f"printf x >> {path}", 30)
    assert deploy(bench)["copied"] is True
    assert deploy(bench)["copied"] is False


def test_a_board_whose_clock_stands_before_1980_runs_the_agent(bench: VirtualBench) -> None:
    """No battery and no network time: 1970. Files written then are older than a ZIP archive's times reach."""
    deploy(bench, "--remove")
    now = bench.board.run("date +%s", 30).strip()
    with prepared(bench, "date -s @1000", f"date -s @{now}"):
        path = deploy(bench)["path"]
        done = bench.run("measure", "--json", "--no-wiring", "--count", "20", "--out", "run")
        left = bench.board.run(f"ls -A {PurePosixPath(path).parent}", 30).split()
    assert done.code == 0, done.err
    assert done.document["responses"] == 20
    assert left == ["agent.pyz"]


def test_a_changed_host_key_is_refused_in_the_words_of_ssh(bench: VirtualBench, tmp_path: Path) -> None:
    folder = bench.board.ssh_config.parent
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", str(tmp_path / "other")], check=True)
    (tmp_path / "known").write_text(f"{bench.board.host} {(tmp_path / 'other.pub').read_text()}")
    config = configured(bench, tmp_path, f"{folder}/known_hosts", f"{tmp_path}/known")
    bench.write(ssh_config=config)
    explained(bench.run("deploy"), 3, "Host key verification failed", f"ssh {bench.board.host} true")


def test_an_unknown_host_key_is_refused_too(bench: VirtualBench, tmp_path: Path) -> None:
    folder = bench.board.ssh_config.parent
    bench.write(ssh_config=configured(bench, tmp_path, f"{folder}/known_hosts", f"{tmp_path}/none"))
    explained(bench.run("deploy"), 3, "Host key verification failed")


def test_a_port_that_nobody_listens_on(bench: VirtualBench, tmp_path: Path) -> None:
    (port,) = (line.split()[1] for line in bench.board.ssh_config.read_text().splitlines() if "Port " in line)
    bench.write(ssh_config=configured(bench, tmp_path, f"Port {port}", "Port 1"))
    explained(bench.run("deploy"), 3, "Connection refused")


def test_shared_connections_are_used_and_survive(bench: VirtualBench, tmp_path: Path) -> None:
    socket = tmp_path / "s"
    shared = f"ControlMaster auto\n    ControlPath {socket}\n    ControlPersist 60\n    BatchMode yes"
    config = configured(bench, tmp_path, "BatchMode yes", shared)
    bench.write(ssh_config=config)
    try:
        deploy(bench)
        assert socket.exists()
        assert deploy(bench)["copied"] is False
    finally:
        subprocess.run(["ssh", "-F", str(config), "-O", "exit", bench.board.host], check=False, capture_output=True)


@contextlib.contextmanager
def prepared(bench: VirtualBench, do: str, undo: str) -> Iterator[None]:
    bench.board.run(do, 30, root=True)
    try:
        yield
    finally:
        bench.board.run(undo, 30, root=True)


def test_what_a_login_prints_does_no_harm(bench: VirtualBench) -> None:
    noise = r"printf 'Welcome to line 4\n\036edge\000\377\n'; echo '{\"sha256\": 1}'"
    with prepared(
        bench,
        f'cp ~bench/.bashrc /root/kept; {{ echo "{noise}"; cat /root/kept; }} > ~bench/.bashrc',
        "cat /root/kept > ~bench/.bashrc",
    ):
        assert "Welcome to line 4" in bench.board.run("true", 30)
        deploy(bench)
        assert bench.run("measure", "--count", "20", "--no-wiring", "--out", "run").code == 0
    assert bench.reader().record.state == "complete"


def test_a_banner_of_the_ssh_server_does_no_harm(bench: VirtualBench, tmp_path: Path) -> None:
    bench.write(ssh_config=configured(bench, tmp_path, "LogLevel ERROR", "LogLevel INFO"))
    reload = "kill -HUP $(cat /run/sshd.pid); sleep 1"
    with prepared(
        bench,
        f"echo 'Authorised staff only' > /etc/banner; echo 'Banner /etc/banner' >> /etc/ssh/sshd_config; {reload}",
        f"sed -i /Banner/d /etc/ssh/sshd_config; {reload}",
    ):
        deploy(bench)


def test_a_home_that_cannot_be_written_is_passed_over_and_named(bench: VirtualBench) -> None:
    deploy(bench, "--remove")
    with prepared(
        bench,
        "mount --bind ~bench ~bench && mount -o remount,ro,bind ~bench",
        "umount ~bench",
    ):
        done = bench.run("deploy", "--json")
        said = done.document
        assert said["copied"] is True
        assert said["path"].startswith("/var/tmp/edgereply-1000/")
        assert said["passed_over"] == [f"{CACHE}: Read-only file system"]
        assert f"passed over {CACHE}" in done.err
        assert deploy(bench)["copied"] is False
    assert deploy(bench, "--remove")["removed"] == ["/var/tmp/edgereply-1000"]


# All that a user may take; only root could still write.
FILL = "fallocate -l $(df --output=avail -B1 /var/tmp | tail -1) /var/tmp/fill; df --output=avail -B1 /var/tmp"
FREE = "rm -f /var/tmp/fill"
IN_MEMORY = "for place in /tmp /dev/shm; do mount -o remount,size={size} $place; done"


def test_with_a_full_disk_the_agent_goes_into_memory_or_the_board_is_said_to_be_full(bench: VirtualBench) -> None:
    deploy(bench, "--remove")
    with prepared(bench, FILL, FREE):
        said = deploy(bench)
        assert said["path"].startswith("/tmp/edgereply-1000/")
        assert [reason.rpartition(": ")[2] for reason in said["passed_over"]] == ["No space left on device"] * 2
        deploy(bench, "--remove")
        with prepared(bench, IN_MEMORY.format(size="16k"), IN_MEMORY.format(size="50%")):
            explained(bench.run("deploy"), 3, "no directory on the board", "No space left on device", "make room")
    assert deploy(bench)["path"].startswith(CACHE)


def test_an_agent_that_is_there_runs_beside_a_full_disk(bench: VirtualBench) -> None:
    assert deploy(bench)["path"].startswith(CACHE)
    with prepared(bench, FILL, FREE):
        done = bench.run("measure", "--json", "--no-wiring", "--count", "20", "--out", "run")
        assert deploy(bench)["copied"] is False
    assert done.code == 0, done.err
    assert done.document["responses"] == 20


def test_no_python_on_the_board_is_named(bench: VirtualBench) -> None:
    bench.write(board='python = "/opt/none/python3"')
    explained(bench.run("deploy"), 3, "/opt/none/python3 is not there", "leave it out")
