"""The distribution's packages: which are needed, whether they are here, and the one command that gets them."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
from dataclasses import dataclass
from pathlib import Path

from tests.virtual_board.errors import BuildError, PackagesMissingError
from tests.virtual_board.foreign import ForeignPackages
from tests.virtual_board.platforms import PLATFORMS, KernelName, Platform
from tests.virtual_board.steps import run, say

SOURCE = "linux-source-6.1"
TOOLS = [
    "mmdebstrap",
    "fakeroot",
    "e2fsprogs",
    "busybox-static",
    "lz4",
    "cpio",
    "kmod",
    "xz-utils",
    "openssh-client",
    "build-essential",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class KernelPackages:
    """One kernel's packages: source, headers and image are one version, or modules would not load."""

    flavour: str  # such as "amd64", "rt-amd64", "arm64"
    abi: str  # "6.1.0-56"
    version: str  # "6.1.192-2"

    @property
    def release(self) -> str:
        """What `uname -r` says in the guest."""
        return f"{self.abi}-{self.flavour}"

    @property
    def image(self) -> str:
        return f"linux-image-{self.release}"

    @property
    def headers(self) -> str:
        return f"linux-headers-{self.release}"


def _query(*command: str) -> str:
    try:
        return subprocess.run(command, capture_output=True, text=True, check=False, timeout=60).stdout
    except FileNotFoundError as error:
        raise BuildError(
            f"{command[0]} is not on this machine: the virtual board is built from Debian 12 packages, "
            "run this on Debian 12 (a container will do)"
        ) from error


def _installed_versions(names: list[str]) -> dict[str, str]:
    listing = _query("dpkg-query", "-W", "-f", "${Package} ${Version} ${db:Status-Abbrev}\n", *names)
    rows = (line.split() for line in listing.splitlines())
    return {row[0]: row[1] for row in rows if len(row) == 3 and row[2] == "ii"}


def _installed_kernel(flavour: str) -> KernelPackages | None:
    """The newest installed headers whose version is the installed kernel source's."""
    source = _installed_versions([SOURCE]).get(SOURCE)
    found = _installed_versions([f"linux-headers-6.1.0-*-{flavour}"])
    abis = [
        match[1]
        for name, version in found.items()
        if version == source and (match := re.fullmatch(rf"linux-headers-([\d.]+-\d+)-{flavour}", name))
    ]
    if source is None or not abis:
        return None
    newest = max(abis, key=lambda abi: int(abi.rsplit("-", 1)[1]))
    return KernelPackages(flavour=flavour, abi=newest, version=source)


def _candidate_kernel(flavour: str) -> KernelPackages:
    """The kernel that the distribution's package lists offer now."""
    depends = _query("apt-cache", "depends", f"linux-image-{flavour}")
    match = re.search(rf"Depends: linux-image-([\d.]+-\d+)-{flavour}\b", depends)
    policy = re.search(r"Candidate: (\S+)", _query("apt-cache", "policy", SOURCE))
    if match is None or policy is None:
        raise BuildError(
            f"the package lists know no linux-image-{flavour} or no {SOURCE}: is this Debian 12, and has "
            "`apt-get update` been run?"
        )
    return KernelPackages(flavour=flavour, abi=match[1], version=policy[1])


def provide(kernel: KernelName) -> KernelPackages:
    """Makes sure that all packages needed for one kernel are there; root installs them.

    Packages of another architecture are not installed and need no rights; the steps that want them unpack them.

    Args:
        kernel: which kind of board.

    Returns: the kernel's packages.

    Raises:
        PackagesMissingError: something is missing and we are not root.
        BuildError: installation failed.
    """
    platform = PLATFORMS[kernel]
    wanted = [*TOOLS, *platform.tools]
    if platform.foreign:
        need_installed(wanted)
        return _foreign_kernel(platform)
    missing = [name for name in wanted if name not in _installed_versions(wanted)]
    flavour = platform.flavour
    known = _installed_kernel(flavour)
    if known is not None and not missing:
        return known
    _update()
    if known is None:
        known = _candidate_kernel(flavour)
        missing += [SOURCE, known.headers]
    _install(missing)
    return _installed_kernel(flavour) or known


def need_installed(names: list[str]) -> None:
    """Makes sure that some packages are there; root installs them.

    Raises:
        PackagesMissingError: one is missing and we are not root.
        BuildError: installation failed.
    """
    missing = [name for name in names if name not in _installed_versions(names)]
    if missing:
        _update()
        _install(missing)


def source_version() -> str:
    """Returns: version of the installed kernel source package, "" when there is none."""
    return _installed_versions([SOURCE]).get(SOURCE, "")


def _foreign_kernel(platform: Platform) -> KernelPackages:
    version, entry = ForeignPackages().newest(f"linux-image-{platform.flavour}", platform.architecture)
    match = re.search(rf"^Depends:.*\blinux-image-([\d.]+-\d+)-{platform.flavour}\b", entry, re.MULTILINE)
    if match is None:
        raise BuildError(f"linux-image-{platform.flavour} does not say which kernel it stands for")
    return KernelPackages(flavour=platform.flavour, abi=match[1], version=version)


def _update() -> None:
    if os.geteuid() == 0:
        say("reading the package lists")
        run("apt-get update", ["apt-get", "-o", "DPkg::Lock::Timeout=300", "-q", "update"], timeout_s=300)


def _install(missing: list[str]) -> None:
    """Raises: PackagesMissingError: we are not root."""
    command = ["apt-get", "install", "--yes", "--no-install-recommends", *missing]
    if os.geteuid() != 0:
        raise PackagesMissingError(missing, "sudo " + shlex.join(command))
    say(f"installing {' '.join(missing)}")
    command[1:1] = ["-o", "DPkg::Lock::Timeout=300", "-q"]
    run("package installation", command, timeout_s=1800, env={"DEBIAN_FRONTEND": "noninteractive"})


def download(package: str, version: str, into: Path) -> Path:
    """Fetches one package file without installing it.

    Returns: the path of the .deb file.
    """
    say(f"downloading {package} {version}")
    # apt drops its rights for downloads; option keeps it from complaining that it may not write here
    command = ["apt-get", "-q", "-o", "APT::Sandbox::User=root", "download", f"{package}={version}"]
    run(f"download of {package}", command, timeout_s=900, cwd=into)
    found = list(into.glob(f"{package}_*.deb"))
    if len(found) != 1:
        raise BuildError(f"apt-get download {package}={version} left {len(found)} files in {into}, one was expected")
    return found[0]
