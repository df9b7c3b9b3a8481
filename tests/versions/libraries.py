"""The host with the lowest versions of the libraries that pyproject.toml allows, and with the newest there are.

An environment of its own each, made by uv, which resolves to the lowest direct versions where it is told to. What is
run there: the host's unit tests that touch those libraries, and a measurement on software wires. Warnings are ignored:
an old library warns of what newer ones beneath it have deprecated.
"""

from __future__ import annotations

import sys
import tomllib
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
RESOLUTIONS = {"lowest": "lowest-direct", "newest": "highest"}
# Those that have to do with libraries; pairing and statistics are numpy's oldest functions.
FOLDERS = ("api", "cli", "config", "storage", "report", "exchange", "test_main.py")
TESTS = [f"tests/unit/host/{name}" for name in FOLDERS]
# What the unit tests need beside the package, as the extra `test` says it.
_TOOLS = (
    "pytest", "pytest-timeout", "pytest-xdist", "hypothesis", "jsonschema", "packaging", "polars", "dask", "duckdb",
    "pylatexenc", "openturns", "vcdvcd", "markdown-it-py",
)  # fmt: skip
INSTALL_S = 900

Run = Callable[..., bool]


def tools() -> list[str]:
    """Requirements of the unit tests."""
    extra = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]["optional-dependencies"]["test"]
    found = [line for line in extra if line.partition(">")[0].partition("[")[0] in _TOOLS]
    assert len(found) == len(_TOOLS), "a tool is no longer in the extra 'test'"
    return found


def environment_with(resolution: str, folder: Path, carried_out: Run) -> Path | None:
    """An environment with the package at that resolution; None where its libraries cannot be had.

    Args:
        resolution: of `RESOLUTIONS`.
        folder: for it and its logs.
        carried_out: runs a program to its end, with a deadline and a log.
    """
    uv, place = folder / "uv/bin/uv", folder / "environment"
    inside = place / "bin/python"
    pip = [uv, "pip", "install", "--python", inside]
    steps: list[list[object]] = [
        [sys.executable, "-m", "venv", folder / "uv"],
        [folder / "uv/bin/python", "-m", "pip", "install", "-q", "uv"],
        [uv, "venv", "--python", sys.executable, place],
        [*pip, "--resolution", RESOLUTIONS[resolution], ROOT],
        [*pip, *tools()],
    ]
    good = all(carried_out(step, INSTALL_S, folder / f"install-{n}.log") for n, step in enumerate(steps))
    return inside if good else None


def installed(inside: Path, folder: Path, carried_out: Run) -> str:
    """Versions of what the package asks for, as they were installed."""
    program = (
        "import re; from importlib.metadata import requires, version; "
        "names = [re.split(r'[^\\w-]', line)[0] for line in requires('edgereply') if 'extra' not in line]; "
        "print(', '.join(f'{name} {version(name)}' for name in names))"
    )
    log = folder / "versions.log"
    return log.read_text().strip() if carried_out([inside, "-c", program], 60, log) else "not known"
