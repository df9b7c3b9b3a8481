"""The board itself: what is built, that it boots, who may do what, how it ends."""

import os
import shutil
import subprocess
import tempfile
from dataclasses import replace
from pathlib import Path

import pytest

from tests.virtual_board import BoardError, PackagesMissingError, VirtualBoard, cache, packages, rootfs
from tests.virtual_board.__main__ import TROUBLE, main
from tests.virtual_board.build import KERNELS, KernelName, build
from tests.virtual_board.platforms import PLATFORMS

on_board = pytest.mark.virtual_board


@on_board
@pytest.mark.parametrize("kernel", KERNELS)
def test_products_are_there_and_are_built_once(kernel: KernelName, monkeypatch: pytest.MonkeyPatch) -> None:
    first = build(kernel)
    assert (first.vmlinux.read_bytes()[:4] == b"\x7fELF") is PLATFORMS[kernel].elf
    assert first.initrd.stat().st_size > 1_000_000
    assert first.image.stat().st_size > 100_000_000
    assert first.client_key.stat().st_mode & 0o077 == 0
    assert not first.image.is_relative_to(cache.HERE)
    monkeypatch.setattr(tempfile, "mkdtemp", lambda **_: pytest.fail("something was built again"))
    assert build(kernel) == first


def test_boards_of_one_architecture_share_a_root_file_system() -> None:
    assert rootfs.key(PLATFORMS["plain"]) == rootfs.key(PLATFORMS["rt"])
    assert len({rootfs.key(platform) for platform in PLATFORMS.values()}) == len(PLATFORMS) - 1


def test_a_changed_source_is_another_product(tmp_path: Path) -> None:
    source = tmp_path / "wires.c"
    source.write_text("a")
    before = cache.key(["6.1"], [source])
    assert cache.key(["6.1"], [source]) == before
    assert cache.key(["6.2"], [source]) != before
    source.write_text("b")
    assert cache.key(["6.1"], [source]) != before


def test_an_unfinished_product_is_no_product(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("EDGEREPLY_CACHE", str(tmp_path))

    def half(into: Path) -> None:
        (into / "part").write_text("half")
        raise KeyboardInterrupt

    with cache.locked() as directory:
        with pytest.raises(KeyboardInterrupt):
            cache.product("thing-1", half)
        assert sorted(path.name for path in directory.iterdir()) == ["lock"]
        cache.product("thing-1", lambda into: None)
        cache.product("thing-2", lambda into: None)
        cache.product("thing-other-3", lambda into: None)
        assert sorted(path.name for path in directory.iterdir()) == ["lock", "thing-2", "thing-other-3"]


def test_missing_packages_are_asked_for_by_command(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    def query(*command: str) -> str:
        if command[0] == "dpkg-query":
            here = (*packages.TOOLS, *PLATFORMS["rt"].tools)
            return "".join(f"{name} 1.0 ii\n" for name in here if name != "lz4")
        if command[1] == "depends":
            return "linux-image-rt-amd64\n  Depends: linux-image-6.1.0-99-rt-amd64\n"
        return "linux-source-6.1:\n  Installed: (none)\n  Candidate: 6.1.200-1\n"

    monkeypatch.setenv("EDGEREPLY_CACHE", str(tmp_path))
    monkeypatch.setattr(packages, "_query", query)
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    with pytest.raises(PackagesMissingError) as caught:
        packages.provide("rt")
    wanted = "lz4 linux-source-6.1 linux-headers-6.1.0-99-rt-amd64"
    assert caught.value.command == f"sudo apt-get install --yes --no-install-recommends {wanted}"
    monkeypatch.setattr("sys.argv", ["virtual_board", "build", "--kernel", "rt"])
    assert main() == TROUBLE
    assert wanted in capsys.readouterr().err


def test_a_board_of_another_processor_asks_for_a_cross_compiler(monkeypatch: pytest.MonkeyPatch) -> None:
    here = (*packages.TOOLS, *PLATFORMS["arm64"].tools)
    monkeypatch.setattr(packages, "_query", lambda *_: "".join(f"{name} 1.0 ii\n" for name in here))
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    with pytest.raises(PackagesMissingError) as caught:
        packages.provide("armhf")
    assert caught.value.command.endswith("gcc-arm-linux-gnueabihf libc6-dev-armhf-cross")


def test_headers_of_another_version_than_the_source_are_not_used(monkeypatch: pytest.MonkeyPatch) -> None:
    def query(*command: str) -> str:
        listed = {
            "linux-source-6.1": "6.1.192-2",
            "linux-headers-6.1.0-9-amd64": "6.1.192-2",
            "linux-headers-6.1.0-56-amd64": "6.1.192-2",
            "linux-headers-6.1.0-57-amd64": "6.1.195-1",
        }
        return "".join(f"{name} {version} ii\n" for name, version in listed.items())

    monkeypatch.setattr(packages, "_query", query)
    kernel = packages._installed_kernel("amd64")
    assert kernel is not None
    assert kernel.release == "6.1.0-56-amd64"


@on_board
def test_plain_kernel(plain_board: VirtualBoard) -> None:
    assert plain_board.run("uname -r", 30).strip() == plain_board.release
    assert "PREEMPT_RT" not in plain_board.run("uname -v", 30)
    assert plain_board.run("nproc", 30).strip() == "1"


@on_board
def test_rt_kernel(rt_board: VirtualBoard) -> None:
    assert rt_board.release.endswith("-rt-amd64")
    assert "PREEMPT_RT" in rt_board.run("uname -v", 30)
    assert rt_board.run("cat /sys/kernel/realtime", 30).strip() == "1"


@on_board
def test_the_unprivileged_user_has_the_rights_of_a_board_with_udev(plain_board: VirtualBoard) -> None:
    assert plain_board.run("whoami", 30).strip() == "bench"
    assert plain_board.run("whoami", 30, root=True).strip() == "root"
    assert plain_board.run("stat -c '%G %a' /dev/gpiochip*", 30).split() == ["gpio", "660"] * 2
    with pytest.raises(BoardError, match="Permission denied"):
        plain_board.run("cat /dev/edgereply-pulse", 30)
    assert "gpiod 2." in plain_board.run("python3 -c 'import gpiod; print(\"gpiod\", gpiod.__version__)'", 30)
    script = """
        base=$(for c in /sys/class/gpio/gpiochip*; do grep -qx reject-gate $c/label && cat $c/base; done)
        n=$((base + 9)); cd /sys/class/gpio; echo $n > export
        i=0; until [ -w gpio$n/direction ] || [ $i -gt 50 ]; do sleep 0.1; i=$((i + 1)); done
        echo high > gpio$n/direction && cat gpio$n/value; echo $n > unexport
    """
    assert plain_board.run(script, 30).strip() == "1"


@on_board
def test_another_host_key_is_refused(plain_board: VirtualBoard, tmp_path: Path) -> None:
    def login(config: Path) -> subprocess.CompletedProcess[str]:
        command = ["ssh", "-F", str(config), plain_board.host, "true"]
        return subprocess.run(command, capture_output=True, text=True, timeout=30, check=False)

    folder = plain_board.ssh_config.parent
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", str(tmp_path / "other")], check=True)
    key = (tmp_path / "other.pub").read_text()
    (tmp_path / "known_hosts").write_text(f"{plain_board.host} {key}")
    text = plain_board.ssh_config.read_text()
    config = tmp_path / "config"
    config.write_text(text.replace(f"{folder}/known_hosts", f"{tmp_path}/known_hosts"))
    assert login(plain_board.ssh_config).returncode == 0
    refused = login(config)
    assert refused.returncode == 255
    assert "verification failed" in refused.stderr


@on_board
def test_reboot_power_loss_and_cleaning_up() -> None:
    with VirtualBoard() as board:
        folder = board.ssh_config.parent
        board.run("echo kept > kept; sync", 30)
        first = board.run("cat /proc/sys/kernel/random/boot_id", 30)
        board.reboot()
        assert board.run("cat /proc/sys/kernel/random/boot_id", 30) != first
        assert board.run("cat kept", 30) == "kept\n"
        board.kill()
        assert not board.running
        with pytest.raises(BoardError, match="exit 255"):
            board.run("true", 30)
    assert not folder.exists()
    with VirtualBoard() as board, pytest.raises(BoardError, match="exit 1"):
        board.run("cat kept", 30)


@on_board
def test_a_kernel_that_does_not_boot_is_reported(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    products = build("plain")
    broken = tmp_path / "vmlinux"
    shutil.copy(products.client_key, broken)
    monkeypatch.setattr("tests.virtual_board.board.build", lambda _: replace(products, vmlinux=broken))
    with pytest.raises(BoardError, match=r"(?s)emulator has ended.*qemu: "):
        VirtualBoard().__enter__()
