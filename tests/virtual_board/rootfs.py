"""The root file system: a minimal Debian with Python, sshd, two users and the gpiod package."""

from __future__ import annotations

import sys
import zipfile
from pathlib import Path

from tests.virtual_board import cache
from tests.virtual_board.errors import BuildError
from tests.virtual_board.steps import run, say

SUITE = "bookworm"
INCLUDE = "python3,openssh-server,kmod,iproute2,procps"
GPIOD = "gpiod==2.5.0"
PLATFORMS = ("manylinux_2_17_x86_64", "manylinux2014_x86_64", "manylinux_2_28_x86_64")
LEFT_OUT = ("/usr/share/doc/*", "/usr/share/man/*", "/usr/share/locale/*", "/usr/share/info/*")
SIZE = "400M"

SSHD = """\
ListenAddress 0.0.0.0
HostKey /etc/ssh/ssh_host_ed25519_key
PasswordAuthentication no
KbdInteractiveAuthentication no
UsePAM no
PermitRootLogin prohibit-password
AuthorizedKeysFile /etc/ssh/authorized_keys
Subsystem sftp /usr/lib/openssh/sftp-server
UseDNS no
MaxStartups 100
"""


def key() -> str:
    """Names the product of `build` after all of its inputs."""
    return cache.key([SUITE, INCLUDE, GPIOD], [Path(__file__)])


def build(into: Path) -> None:
    """Makes `root.ext4`, `client_key` and `host_key.pub` in an empty directory."""
    for name in ("client_key", "host_key"):
        make_key = ["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "virtual-board", "-f", str(into / name)]
        run("key generation", make_key, timeout_s=30)
    say("assembling the root file system (about half a minute)")
    tar = into / "root.tar"
    run("root file system", _bootstrap(into, tar), timeout_s=900)
    say("writing the disk image")
    tree = into / "tree"
    tree.mkdir()
    packages = into / "packages"
    _gpiod(packages)
    script = (
        f"tar -xpf '{tar}' -C '{tree}' --exclude='./dev/*' && "
        f"mkdir -p '{tree}/usr/local/lib/python3.11/dist-packages' && "
        f"cp -r '{packages}/.' '{tree}/usr/local/lib/python3.11/dist-packages/' && "
        f"PATH=$PATH:/sbin:/usr/sbin mke2fs -q -t ext4 -d '{tree}' '{into}/root.ext4' {SIZE} && "
        f"rm -rf '{tree}' '{packages}' '{tar}'"
    )
    # fakeroot: the image's files belong to the guest's root, whoever builds it
    run("disk image", ["fakeroot", "sh", "-c", script], timeout_s=300)
    (into / "host_key").unlink()


def _bootstrap(keys: Path, tar: Path) -> list[str]:
    sshd = keys / "sshd_config"
    sshd.write_text(SSHD, encoding="ascii")
    hooks = [
        'chroot "$1" groupadd --system gpio',
        'chroot "$1" useradd --create-home --shell /bin/bash --groups gpio bench',
        'chroot "$1" passwd --delete bench',  # unlocked, for keys only: passwords are off in sshd
        'rm -f "$1"/etc/ssh/ssh_host_*',
        f"upload '{sshd}' /etc/ssh/sshd_config",
        f"upload '{keys / 'client_key.pub'}' /etc/ssh/authorized_keys",
        f"upload '{keys / 'host_key'}' /etc/ssh/ssh_host_ed25519_key",
        'chown root:root "$1"/etc/ssh/sshd_config "$1"/etc/ssh/authorized_keys "$1"/etc/ssh/ssh_host_ed25519_key',
        'chmod 644 "$1"/etc/ssh/authorized_keys "$1"/etc/ssh/sshd_config',
        'chmod 600 "$1"/etc/ssh/ssh_host_ed25519_key',
        'echo reject-gate > "$1"/etc/hostname',
        'echo 127.0.0.1 localhost reject-gate > "$1"/etc/hosts',
        'mkdir -p "$1"/opt/edgereply',
    ]
    return [
        "mmdebstrap",
        "--variant=minbase",
        f"--include={INCLUDE}",
        "--format=tar",
        *(f"--dpkgopt=path-exclude={pattern}" for pattern in LEFT_OUT),
        *(f"--customize-hook={hook}" for hook in hooks),
        SUITE,
        str(tar),
    ]


def _gpiod(into: Path) -> None:
    """Unpacks the gpiod wheel, with the library inside, for the guest's Python."""
    wheels = into.parent / "wheels"
    command = [sys.executable, "-m", "pip", "-q", "download", "--no-deps", "--only-binary=:all:"]
    for platform in PLATFORMS:
        command += ["--platform", platform]
    run("download of gpiod", [*command, "--python-version", "3.11", "-d", str(wheels), GPIOD], timeout_s=300)
    found = list(wheels.glob("gpiod-*.whl"))
    if len(found) != 1:
        raise BuildError(f"pip left {len(found)} gpiod wheels, one was expected")
    with zipfile.ZipFile(found[0]) as wheel:
        wheel.extractall(into)
    found[0].unlink()
    wheels.rmdir()
