"""Interpreters on this computer, by version."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

AGENT = ("3.9", "3.10", "3.11", "3.12", "3.13", "3.14")
HOST = AGENT[2:]
_ASK = "import sys; print('%d.%d %s' % (sys.version_info[0], sys.version_info[1], sys.version.split()[0]))"


def found() -> dict[str, Path]:
    """One interpreter for each version of `AGENT` that is here, asked for its version, not trusted by its name."""
    here: dict[str, Path] = {}
    for path in _candidates():
        version = version_of(path)
        if version in AGENT:
            here.setdefault(version, path)
    return {version: here[version] for version in AGENT if version in here}


def version_of(path: Path) -> str:
    """Such as 3.11; empty for what does not run."""
    try:
        done = subprocess.run([path, "-I", "-c", _ASK], capture_output=True, text=True, timeout=30, check=False)
    except (OSError, subprocess.TimeoutExpired):
        return ""
    said = re.fullmatch(r"(\d+\.\d+) \S+\n", done.stdout)
    return said[1] if said and done.returncode == 0 else ""


def _candidates() -> list[Path]:
    names = [f"python{version}" for version in AGENT]
    on_path = [Path(found) for name in names if (found := shutil.which(name))]
    homes = (Path.home() / ".pyenv/versions", Path.home() / ".local/share/uv/python")
    kept = [path for home in homes for path in sorted(home.glob("*/bin/python3.[0-9]*")) if os.access(path, os.X_OK)]
    return [path for path in (*on_path, *kept) if path.name in names]
