"""The host with the lowest versions of the libraries that pyproject.toml allows, and with the newest there are.

An environment of its own each, made by uv, which resolves to the lowest direct versions where it is told to. What
`python -m tests.versions --libraries` runs there: the host's unit tests that touch those libraries, and a measurement
on software wires. Warnings are ignored: an old library warns of what newer ones beneath it have deprecated. The suite
itself goes one walk through the command line with each set (`walk`), which touches every library.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path

from packaging.version import Version

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
WALK_S = 300

Run = Callable[..., bool]


def tools() -> list[str]:
    """Requirements of the unit tests."""
    extra = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]["optional-dependencies"]["test"]
    found = [line for line in extra if line.partition(">")[0].partition("[")[0] in _TOOLS]
    assert len(found) == len(_TOOLS), "a tool is no longer in the extra 'test'"
    return found


def lower_bounds() -> dict[str, Version]:
    """The lowest version of each library that the package asks for."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    pairs = (line.split(">=") for line in project["dependencies"])
    return {name: Version(version) for name, version in pairs}


def environment_with(resolution: str, folder: Path, carried_out: Run, tested: bool = True) -> Path | None:
    """An environment with the package at that resolution; None where its libraries cannot be had.

    Args:
        resolution: of `RESOLUTIONS`.
        folder: for it and its logs.
        carried_out: runs a program to its end, with a deadline and a log.
        tested: with what the unit tests need.
    """
    source = folder / "source"
    _copy_sources(source)
    uv, place = folder / "uv/bin/uv", folder / "environment"
    inside = place / "bin/python"
    pip = [uv, "pip", "install", "--python", inside]
    steps: list[list[object]] = [
        [sys.executable, "-m", "venv", folder / "uv"],
        [folder / "uv/bin/python", "-m", "pip", "install", "-q", "uv"],
        [uv, "venv", "--python", sys.executable, place],
        [*pip, "--resolution", RESOLUTIONS[resolution], source],
        *([[*pip, *tools()]] if tested else []),
    ]
    good = all(carried_out(step, INSTALL_S, folder / f"install-{n}.log") for n, step in enumerate(steps))
    return inside if good else None


def _copy_sources(into: Path) -> None:
    """What a wheel is made of: building one leaves files beside its sources."""
    unneeded = shutil.ignore_patterns("__pycache__", "*.egg-info", "build")
    for name in ("agent", "host", "protocol"):
        shutil.copytree(ROOT / name, into / name, ignore=unneeded, dirs_exist_ok=True)
    for name in ("pyproject.toml", "README.md", "LICENSE", "docs/edgereply.1"):
        (into / name).parent.mkdir(exist_ok=True)
        shutil.copy2(ROOT / name, into / name)


def walk(inside: Path, folder: Path) -> dict[str, object]:
    """A walk through the command line that touches every library: help, measurement, page, verdict, files in and out.

    Args:
        inside: the environment's interpreter.
        folder: to work in.

    Returns:
        What was counted: stimuli of the verdict, edges of the two channels of each recording.
    """

    def said(*words: str, code: int = 0) -> str:
        command = [str(inside), "-I", "-m", "edgereply", *words]
        done = subprocess.run(
            command, cwd=folder, capture_output=True, text=True, timeout=WALK_S, stdin=subprocess.DEVNULL, check=False
        )
        assert done.returncode == code, f"{words}: {done.stderr[-4000:]}"
        return done.stdout

    assert "verdict" in said("--help")
    assert "--deadline" in said("measure", "--help")
    said("demo", "--dwell", "1s")
    run = "edgereply-demo/runs/block"
    assert (folder / "edgereply-demo/report.html").stat().st_size > 100_000
    judged = json.loads(said("verdict", run, "--deadline", "1s", "--json"))
    said("explain", run)
    said("report", run, "--figure", "tail", "-o", "tail.png")
    said("compare", run, "edgereply-demo/runs/spin")
    said("export", run, "--to", "vcd", "-o", "run.vcd")
    said("export", run, "--to", "csv", "-o", "run.csv")
    said("export", "edgereply-demo/runs", "--to", "dataset", "-o", "data")
    recordings = {}
    for kind in ("csv", "vcd"):
        recording = ROOT / f"examples/recordings/reject_gate.{kind}"
        read = ("--accept", "--deadline", "2ms", "--out", kind, "--json")
        found = json.loads(said("import", str(recording), *read))["channels"]
        recordings[kind] = [channel["edges"] for channel in found.values()]
    return {"verdict": judged["stimuli"], **recordings}


def installed(inside: Path, folder: Path, carried_out: Run) -> str:
    """Versions of what the package asks for, as they were installed."""
    program = (
        "import re; from importlib.metadata import requires, version; "
        "names = [re.split(r'[^\\w-]', line)[0] for line in requires('edgereply') if 'extra' not in line]; "
        "print(', '.join(f'{name} {version(name)}' for name in names))"
    )
    log = folder / "versions.log"
    return log.read_text().strip() if carried_out([inside, "-c", program], 60, log) else "not known"
