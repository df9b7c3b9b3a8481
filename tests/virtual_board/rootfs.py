"""The root file system: a minimal Debian with Python, sshd, two users and the gpiod package.

One for this computer's processor is set up by its own programs. One for another processor is only unpacked: none of its
programs can run here, so what their set-up scripts would write is written by `_settle`.
"""

from __future__ import annotations

import sys
import zipfile
from pathlib import Path

from tests.virtual_board import cache
from tests.virtual_board.errors import BuildError
from tests.virtual_board.foreign import SUITE, ForeignPackages
from tests.virtual_board.platforms import Platform
from tests.virtual_board.steps import run, say

INCLUDE = "python3,openssh-server,kmod,iproute2,procps"
# What the variant minbase brings by itself elsewhere, and dropbear for the small systems.
FOREIGN_INCLUDE = (
    "base-files,libc-bin,python3-minimal,dropbear-bin,busybox-static,bash,dash,coreutils,grep,sed,util-linux,mount"
)
GPIOD = "gpiod==2.5.0"
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


PASSWD = """\
root:x:0:0:root:/root:/bin/bash
nobody:x:65534:65534:nobody:/nonexistent:/usr/sbin/nologin
sshd:x:100:65534::/run/sshd:/usr/sbin/nologin
bench:x:1000:1000::/home/bench:/bin/bash
"""
GROUP = """\
root:x:0:
tty:x:5:
nogroup:x:65534:
gpio:x:999:bench
bench:x:1000:
"""


def key(platform: Platform) -> str:
    """Names the product of `build` after all of its inputs: boards that differ in the kernel alone share one."""
    inputs = (platform.architecture, platform.foreign, platform.gpiod_platforms)
    return cache.key([SUITE, INCLUDE, FOREIGN_INCLUDE, GPIOD, repr(inputs)], [Path(__file__)])


def build(platform: Platform, into: Path) -> None:
    """Makes `root.ext4`, `client_key` and `host_key.pub` in an empty directory."""
    for name in ("client_key", "host_key"):
        make_key = ["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "virtual-board", "-f", str(into / name)]
        run("key generation", make_key, timeout_s=30)
    say("assembling the root file system (about half a minute)")
    tar = into / "root.tar"
    run("root file system", _unpack(platform, tar) if platform.foreign else _bootstrap(into, tar), timeout_s=900)
    say("writing the disk image")
    tree = into / "tree"
    tree.mkdir()
    packages = into / "packages"
    packages.mkdir()
    if platform.gpiod_platforms:
        _gpiod(platform, packages)
    settle = f"{_settle(into, tree)} && " if platform.foreign else ""
    script = (
        f"tar -xpf '{tar}' -C '{tree}' --exclude='./dev/*' && {settle}"
        f"mkdir -p '{tree}/usr/local/lib/python3.11/dist-packages' && "
        f"cp -r '{packages}/.' '{tree}/usr/local/lib/python3.11/dist-packages/' && "
        f"PATH=$PATH:/sbin:/usr/sbin mke2fs -q -t ext4 -d '{tree}' '{into}/root.ext4' {SIZE} && "
        f"rm -rf '{tree}' '{packages}' '{tar}'"
    )
    # fakeroot: the image's files belong to the guest's root, whoever builds it
    run("disk image", ["fakeroot", "sh", "-c", script], timeout_s=300)
    (into / "host_key").unlink()
    for name in ("passwd", "group", "shadow", "sshd_config", "hosts", "hostname"):
        (into / name).unlink(missing_ok=True)


def _unpack(platform: Platform, tar: Path) -> list[str]:
    """Unpacking another processor's packages without running any."""
    return [
        "mmdebstrap",
        "--variant=extract",
        f"--architectures={platform.architecture}",
        f"--include={INCLUDE},{FOREIGN_INCLUDE}",
        "--format=tar",
        *(f"--dpkgopt=path-exclude={pattern}" for pattern in LEFT_OUT),
        SUITE,
        str(tar),
        f"deb {ForeignPackages().mirror} {SUITE} main",
    ]


def _settle(keys: Path, tree: Path) -> str:
    """Shell words that write what the packages' own scripts would have: accounts, keys, byte code."""
    etc = f"'{tree}/etc'"
    (keys / "passwd").write_text(PASSWD, encoding="ascii")
    (keys / "group").write_text(GROUP, encoding="ascii")
    names = [line.split(":")[0] for line in PASSWD.splitlines()]
    # no password opens anything, and bench is not locked, so that keys do
    (keys / "shadow").write_text("".join(f"{name}:{'*'}:19000::::::\n" for name in names), encoding="ascii")
    (keys / "sshd_config").write_text(SSHD, encoding="ascii")
    (keys / "hosts").write_text("127.0.0.1 localhost reject-gate\n", encoding="ascii")
    (keys / "hostname").write_text("reject-gate\n", encoding="ascii")
    python = f"'{tree}/usr/lib/python3.11'"
    words = [
        f"mkdir -p {etc}/ssh '{tree}/home/bench' '{tree}/opt/edgereply' '{tree}/root' '{tree}/run' '{tree}/proc'",
        *(f"install -m 644 '{keys / name}' {etc}/{name}" for name in ("passwd", "group", "hosts", "hostname")),
        f"install -m 600 '{keys / 'shadow'}' {etc}/shadow",
        f"install -m 644 '{keys / 'sshd_config'}' {etc}/ssh/sshd_config",
        f"install -m 644 '{keys / 'client_key.pub'}' {etc}/ssh/authorized_keys",
        f"install -m 600 '{keys / 'host_key'}' {etc}/ssh/ssh_host_ed25519_key",
        f"chown 1000:1000 '{tree}/home/bench'",
        # the system's own Python is of the same version, or the board makes its own byte code each time
        f"/usr/bin/python3 -m compileall -q -s '{tree}' -p / {python} >/dev/null; true",
    ]
    return " && ".join(f"{{ {word}; }}" for word in words)


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


def _gpiod(platform: Platform, into: Path) -> None:
    """Unpacks the gpiod wheel, with the library inside, for the guest's Python."""
    wheels = into.parent / "wheels"
    command = [sys.executable, "-m", "pip", "-q", "download", "--no-deps", "--only-binary=:all:"]
    for tag in platform.gpiod_platforms:
        command += ["--platform", tag]
    run("download of gpiod", [*command, "--python-version", "3.11", "-d", str(wheels), GPIOD], timeout_s=300)
    found = list(wheels.glob("gpiod-*.whl"))
    if len(found) != 1:
        raise BuildError(f"pip left {len(found)} gpiod wheels, one was expected")
    with zipfile.ZipFile(found[0]) as wheel:
        wheel.extractall(into)
    found[0].unlink()
    wheels.rmdir()
