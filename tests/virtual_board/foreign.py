"""Packages of another processor's architecture, fetched beside the system's own and never installed.

apt gets a configuration of its own, so nothing is added to this computer's architectures, sources or lists.
"""

from __future__ import annotations

import re
import subprocess
import time
from collections.abc import Sequence
from pathlib import Path

from tests.virtual_board import cache
from tests.virtual_board.errors import BuildError
from tests.virtual_board.steps import run, say

SUITE = "bookworm"
ARCHITECTURES = ("amd64", "arm64", "armhf")
KEYRING = "/usr/share/keyrings/debian-archive-keyring.gpg"
LISTS_AGE_S = 86_400.0

_CONFIGURATION = """\
Dir::State "{folder}/state";
Dir::State::status "{folder}/status";
Dir::Cache "{folder}/cache";
Dir::Etc::sourcelist "{folder}/sources.list";
Dir::Etc::sourceparts "/dev/null";
APT::Architecture "amd64";
APT::Architectures {{ {architectures} }};
APT::Sandbox::User "root";
"""


class ForeignPackages:
    """The distribution's main archive for all architectures, from the mirror that this computer uses itself."""

    def __init__(self) -> None:
        """Raises: BuildError: the lists cannot be fetched."""
        self._folder = cache.root() / "foreign"
        self.mirror = _mirror()
        self._prepare()

    def newest(self, package: str, architecture: str) -> tuple[str, str]:
        """Version of the newest package of that name, and its entry in the lists.

        Raises: BuildError: there is none.
        """
        entry = self._say("apt-cache", "show", "--no-all-versions", f"{package}:{architecture}")
        found = re.search(r"^Version: (\S+)", entry, re.MULTILINE)
        if found is None:
            raise BuildError(f"the lists from {self.mirror} have no package {package} for {architecture}")
        return found[1], entry

    def lacking(self, packages: Sequence[str], status: Path) -> list[str]:
        """What a system would have to get for some packages, those that they need themselves included.

        Args:
            packages: names, of this computer's architecture.
            status: dpkg's record of what that system has.

        Returns: names.

        Raises: BuildError: one is not in the lists, or they cannot be had together.
        """
        command = ["apt-get", "-q", "-s", "-o", f"Dir::State::status={status}", "install", "--no-install-recommends"]
        found = re.findall(r"^Inst (\S+) ", self._say(*command, *packages), re.MULTILINE)
        return sorted(set(found))

    def unpack(self, package: str, version: str, architecture: str, into: Path) -> None:
        """Fetches a package and unpacks its files; none is run.

        Args:
            package: its name.
            version: which, "" for the newest.
            architecture: whose.
            into: an existing directory, shared with what is there already.

        Raises: BuildError: it cannot be had.
        """
        say(f"downloading {package} for {architecture}")
        self._unpack([f"{package}:{architecture}" + (f"={version}" if version else "")], into)

    def unpack_all(self, packages: Sequence[str], into: Path) -> None:
        """As `unpack`, for the newest of several packages of this computer's architecture, fetched in one go."""
        say(f"downloading {len(packages)} packages")
        self._unpack(packages, into)

    def _unpack(self, wanted: Sequence[str], into: Path) -> None:
        place = into.parent / f"{into.name}.download"
        place.mkdir()
        environment = {"APT_CONFIG": str(self._folder / "apt.conf")}
        command = ["apt-get", "-q", "download", *wanted]
        run(f"download of {wanted[0]}", command, timeout_s=900, cwd=place, env=environment)
        for file in place.glob("*.deb"):
            run(f"unpacking {file.name}", ["dpkg-deb", "-x", str(file), str(into)], timeout_s=300)
            file.unlink()
        place.rmdir()

    def _prepare(self) -> None:
        lists = self._folder / "state/lists"
        stamp = self._folder / "fetched"
        sources = f"deb [arch={','.join(ARCHITECTURES)} signed-by={KEYRING}] {self.mirror} {SUITE} main\n"
        if stamp.exists() and stamp.read_text() == sources and time.time() - stamp.stat().st_mtime < LISTS_AGE_S:
            return
        for directory in (lists / "partial", self._folder / "cache/archives/partial"):
            directory.mkdir(parents=True, exist_ok=True)
        (self._folder / "status").touch()
        (self._folder / "sources.list").write_text(sources)
        words = " ".join(f'"{name}";' for name in ARCHITECTURES)
        (self._folder / "apt.conf").write_text(_CONFIGURATION.format(folder=self._folder, architectures=words))
        say(f"reading the package lists of {', '.join(ARCHITECTURES)}")
        environment = {"APT_CONFIG": str(self._folder / "apt.conf")}
        run("apt-get update for other architectures", ["apt-get", "-q", "update"], timeout_s=300, env=environment)
        stamp.write_text(sources)

    def _say(self, *command: str) -> str:
        environment = {"APT_CONFIG": str(self._folder / "apt.conf")}
        return run(" ".join(command), command, timeout_s=300, env=environment).decode()


def _mirror() -> str:
    """Where this computer gets the distribution's main archive from."""
    fields = "$(RELEASE) $(COMPONENT) $(SITE)"
    command = ["apt-get", "indextargets", "--no-release-info", "--format", fields, "Created-By: Packages"]
    try:
        listed = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60).stdout
    except FileNotFoundError as error:
        raise BuildError("apt-get is not on this machine: run this on Debian 12 (a container will do)") from error
    for line in listed.splitlines():
        release, component, site = line.split()
        if (release, component) == (SUITE, "main"):
            return site
    raise BuildError(f"apt's sources name no archive of {SUITE}/main: is this Debian 12?")
