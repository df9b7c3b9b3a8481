"""The lock file holds one version with hashes for everything pyproject.toml asks for, and is installed as it stands."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[1]
PIN = re.compile(r"^(?P<pin>[\w.-]+==[^\s;\\]+)(?: ;[^\\]*)?(?P<more> \\)?$")
HASH = re.compile(r"^    --hash=sha256:[0-9a-f]{64}(?: \\)?$")


def locked() -> dict[str, dict[str, int]]:
    """Number of hashes by name and version; several versions are for several versions of Python."""
    found: dict[str, dict[str, int]] = {}
    versions: dict[str, int] = {}
    version = ""
    for line in (ROOT / "requirements.lock").read_text(encoding="utf-8").splitlines():
        if pin := PIN.match(line):
            name, version = pin["pin"].split("==")
            versions = found.setdefault(canonicalize_name(name), {})
            assert version not in versions, f"{name} {version} is pinned twice"
            versions[version] = 0
        elif HASH.match(line):
            versions[version] += 1
        else:
            assert line.lstrip().startswith("#"), f"neither pin, hash nor remark: {line}"
    return found


def test_every_pin_has_hashes() -> None:
    pins = locked()
    assert pins
    assert [name for name, versions in pins.items() if 0 in versions.values()] == []


def test_what_is_asked_for_is_pinned_at_versions_that_fit() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    pins = locked()
    for text in (*project["dependencies"], *project["optional-dependencies"]["test"]):
        wanted = Requirement(text)
        versions = pins[canonicalize_name(wanted.name)]
        assert all(version in wanted.specifier for version in versions), text
