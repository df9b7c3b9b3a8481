"""python -m tests.versions [--host] [--processors] [--libraries]: what ran under what, what could not be had.

For the agent: its unit tests and the protocol's, in an environment of their own, and a measurement on software wires
with the agent under that Python. With --host also the host's unit tests and a measurement by the host, for which all
packages of the lock file are installed. Packages come by pip. With --processors the agent's and the protocol's tests
and a measurement also under Python for 64- and 32-bit ARM in user-mode emulation (`processors.py`; Debian packages,
some minutes each), and under Debian 11's Python 3.9 for 64-bit ARM. With --libraries the host under this Python with
the lowest libraries that pyproject.toml allows and with the newest (`libraries.py`), and nothing
else. --folder DIR keeps environments and logs there.
Exit code 1 when anything failed.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from tests.versions.interpreters import AGENT, HOST, found
from tests.versions.libraries import RESOLUTIONS, TESTS, environment_with, installed
from tests.versions.processors import NOT_EMULATED, PROCESSORS, emulated, packages
from tests.virtual_board.errors import VirtualBoardError

ROOT = Path(__file__).resolve().parents[2]
PATHS = [str(ROOT / name) for name in ("host", "agent", "protocol")]
COUNT = 60
TEST_S, INSTALL_S, MEASURE_S = 1800, 1800, 120
# They hold the agent against the host, which is not for all these Pythons, or look at sources only, with tools.
NOT_HERE = (
    "--ignore=tests/unit/agent/test_arrivals.py",
    "--deselect=tests/unit/agent/test_bundle.py::test_library_is_python_39",
    "--deselect=tests/unit/agent/test_bundle.py::test_imports_standard_library_and_protocol_only",
)
BENCH = """
title = "Reject gate (virtual)"
deadline = "2ms"
[board.gate]
link = "local"
route = "virtual"
python = "{python}"
[source]
kind = "virtual"
[stimulus]
rate = "200/s"
count = {count}
"""


def carried_out(words: Sequence[object], timeout_s: float, log: Path, **env: str) -> bool:
    """Run a program; what it says goes to a file."""
    with log.open("w") as file:
        try:
            done = subprocess.run(
                [str(word) for word in words], cwd=ROOT, env={**os.environ, **env}, stdin=subprocess.DEVNULL,
                stdout=file, stderr=subprocess.STDOUT, timeout=timeout_s, check=False,
            )  # fmt: skip
        except (OSError, subprocess.TimeoutExpired) as error:
            file.write(f"{error}\n")
            return False
    return done.returncode == 0


def environment(python: Path, folder: Path, packages: Sequence[str]) -> Path | None:
    """An environment of that Python with some packages; None where pip cannot get them."""
    place = folder / "environment"
    made = carried_out([python, "-m", "venv", place], INSTALL_S, folder / "venv.log")
    inside = place / "bin/python"
    got = made and carried_out([inside, "-m", "pip", "install", "-q", *packages], INSTALL_S, folder / "pip.log")
    return inside if got else None


def tested(python: Path, folder: Path, packages: Sequence[str], tests: Sequence[str], paths: Sequence[str]) -> str:
    """Outcome of some tests, in words."""
    inside = environment(python, folder, packages)
    if inside is None:
        return f"COULD NOT BE HAD: packages, see {folder}/pip.log"
    log = folder / "tests.log"
    options = ["-q", "-p", "no:cacheprovider", "-p", "tests.versions.plugin"]
    good = carried_out([inside, "-m", "pytest", *options, *tests], TEST_S, log, PYTHONPATH=os.pathsep.join(paths))
    last = log.read_text().strip().splitlines()[-1:] or ["nothing said"]
    return f"{'passed' if good else 'FAILED'}: {last[0].strip('= ')}" + ("" if good else f", see {log}")


def measured(host: Path, agent: Path, folder: Path) -> str:
    """Outcome of a measurement on software wires, in words."""
    (folder / "bench.toml").write_text(BENCH.format(python=agent, count=COUNT))
    run, log = folder / "run", folder / "measure.log"
    words = [host, "-m", "edgereply", "measure", "--trust", "--bench", folder / "bench.toml", "--out", run]
    if not carried_out(words, MEASURE_S, log, PYTHONPATH=os.pathsep.join(PATHS)):
        return f"FAILED, see {log}"
    record = json.loads((run / "run.json").read_text())
    answered = record["counts"]["joined"] + record["counts"]["unseen"] + record["counts"]["ambiguous"]
    said = f"{record['environment_after']['python']} on the board, {record['counts']['stimuli']} stimuli (virtual)"
    good = record["state"] == "complete" and record["counts"]["stimuli"] == COUNT and answered
    return f"{'passed' if good else 'FAILED'}: {said}"


def agent_under(python: Path, folder: Path) -> list[tuple[str, str]]:
    """What was run of the agent under a Python, and how it came out."""
    tests = ["tests/unit/protocol", "tests/unit/agent", *NOT_HERE]
    packages = ["pytest>=8", "pytest-xdist", "hypothesis>=6.100", "numpy", "gpiod>=2.1"]
    return [
        ("agent, measurement", measured(Path(sys.executable), python, folder)),
        ("agent and protocol, unit tests", tested(python, folder, packages, tests, PATHS[1:])),
    ]


def emulated_under(name: str, folder: Path) -> list[tuple[str, str]]:
    """What was run of the agent for another processor, and how it came out; tests left out are named, with reasons."""
    processor = PROCESSORS[name]
    try:
        python = emulated(processor)
        packages(processor, folder / "packages")
    except VirtualBoardError as error:
        return [("agent and protocol, unit tests", f"COULD NOT BE HAD: {error}")]
    log = folder / "tests.log"
    tests = ["tests/unit/protocol", "tests/unit/agent", *NOT_HERE]
    left_out = [f"--deselect={test}" for test in NOT_EMULATED]
    options = ["-q", "-p", "no:cacheprovider", "-p", "tests.versions.plugin", "-W", "ignore"]
    paths = os.pathsep.join([str(folder / "packages"), *PATHS[1:], str(ROOT)])
    env = {"PYTHONPATH": paths, "EDGEREPLY_WRAPPER": str(python), "PYTHONDONTWRITEBYTECODE": "1"}
    good = carried_out([python, "-m", "pytest", *options, *tests, *left_out], TEST_S, log, **env)
    last = log.read_text().strip().splitlines()[-1:] or ["nothing said"]
    said = f"{'passed' if good else 'FAILED'}: {last[0].strip('= ')}, see {log}"
    for test, reason in NOT_EMULATED.items():
        print(f"  left out: {test}: {reason}", flush=True)
    return [
        ("agent, measurement", measured(Path(sys.executable), python, folder)),
        ("agent and protocol, unit tests", said),
    ]


def host_under(python: Path, folder: Path) -> list[tuple[str, str]]:
    """What was run of the host under a Python, and how it came out."""
    packages = ["-r", str(ROOT / "requirements.lock")]
    tests = tested(python, folder, packages, ["tests/unit/host"], PATHS)
    inside = folder / "environment/bin/python"
    return [
        ("host, unit tests", tests),
        ("host, measurement", measured(inside, inside, folder) if inside.exists() else tests),
    ]


def host_with(resolution: str, folder: Path) -> list[tuple[str, str]]:
    """What was run of the host with the lowest or the newest libraries, and how it came out."""
    inside = environment_with(resolution, folder, carried_out)
    if inside is None:
        return [("host, unit tests", f"COULD NOT BE HAD: libraries, see {folder}")]
    print(f"{resolution} libraries: {installed(inside, folder, carried_out)}", flush=True)
    log = folder / "tests.log"
    words = [inside, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-W", "ignore", "-n", "2", *TESTS]
    good = carried_out(words, TEST_S, log, PYTHONPATH=os.pathsep.join(PATHS))
    last = log.read_text().strip().splitlines()[-1:] or ["nothing said"]
    return [
        ("host, unit tests", f"{'passed' if good else 'FAILED'}: {last[0].strip('= ')}, see {log}"),
        ("host, measurement", measured(inside, inside, folder)),
    ]


def main() -> int:
    """Run and print; see above."""
    parser = argparse.ArgumentParser(prog="python -m tests.versions", description=__doc__.split("\n")[0])
    parser.add_argument("--host", action="store_true", help="the host too (installs all packages of the lock file)")
    parser.add_argument("--processors", action="store_true", help="the agent for other processors, emulated")
    parser.add_argument("--libraries", action="store_true", help="the host with the lowest and the newest libraries")
    parser.add_argument("--only", default=",".join(AGENT), help="versions, such as 3.9,3.13")
    parser.add_argument("--folder", type=Path, help="keep environments and logs there")
    options = parser.parse_args()
    folder = options.folder or Path(tempfile.mkdtemp(prefix="edgereply-versions-"))
    here, failed = found(), False
    if options.libraries:
        for resolution in RESOLUTIONS:
            (folder / resolution).mkdir(parents=True, exist_ok=True)
            for what, outcome in host_with(resolution, folder / resolution):
                failed = failed or not outcome.startswith("passed")
                print(f"{resolution} libraries: {what}: {outcome}", flush=True)
        print(f"environments and logs: {folder}")
        return int(failed)
    for version in filter(None, options.only.split(",")):
        if version not in here:
            print(f"Python {version}: COULD NOT BE HAD: no python{version} on this computer", flush=True)
            continue
        kinds = [("agent", agent_under)] + ([("host", host_under)] if options.host and version in HOST else [])
        for name, carry_out in kinds:
            place = folder / f"{name}-{version}"
            place.mkdir(parents=True, exist_ok=True)
            for what, outcome in carry_out(here[version], place):
                failed = failed or not outcome.startswith("passed")
                print(f"Python {version} ({here[version]}): {what}: {outcome}", flush=True)
    for name in PROCESSORS if options.processors else ():
        place = folder / name.replace(", ", "-").replace(" ", "-")
        place.mkdir(parents=True, exist_ok=True)
        for what, outcome in emulated_under(name, place):
            failed = failed or not outcome.startswith("passed")
            print(f"{name} (Python {PROCESSORS[name].python}, emulated): {what}: {outcome}", flush=True)
    print(f"environments and logs: {folder}")
    return int(failed)


if __name__ == "__main__":
    raise SystemExit(main())
