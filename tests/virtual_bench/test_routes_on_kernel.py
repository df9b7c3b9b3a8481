"""The suite of all routes, run on the board itself against its real kernel, by each route."""

from __future__ import annotations

import importlib.util
import io
import re
import tarfile
from collections import Counter
from pathlib import Path

import pytest

from tests.conformance.routes import RouteConformance
from tests.virtual_bench.bench import VirtualBench

pytestmark = pytest.mark.virtual_board
REPOSITORY = Path(__file__).parents[2]
SUITE = ("tests/__init__.py", "tests/conformance/__init__.py", "tests/conformance/routes.py")
BINDING = Path(__file__).parent / "guest" / "kernel_routes.py"
# Pure Python, so what the host runs its own tests with runs on the board too.
RUNNER = ("pytest", "_pytest", "py", "pluggy", "iniconfig", "packaging", "pygments")
AGENT = ("edgereply_agent", "edgereply_protocol")
AT = "/tmp/conformance"


def archive() -> bytes:
    """All that the suite needs, as a tar file."""
    stream = io.BytesIO()
    with tarfile.open(fileobj=stream, mode="w:gz", compresslevel=1) as tar:
        for package in (*RUNNER, *AGENT):
            spec = importlib.util.find_spec(package)
            assert spec is not None
            assert spec.origin is not None
            path = Path(spec.origin)
            whole = (path.parent, package) if spec.submodule_search_locations else (path, path.name)
            tar.add(*whole, filter=_sources)
        for name in SUITE:
            tar.add(REPOSITORY / name, name)
        tar.add(BINDING, BINDING.name)
    return stream.getvalue()


def _sources(item: tarfile.TarInfo) -> tarfile.TarInfo | None:
    return item if item.isdir() or item.name.endswith(".py") else None


def test_every_route_passes_the_suite_on_a_real_kernel(bench: VirtualBench) -> None:
    board = bench.board
    board.run_bytes(f"mkdir -p {AT} && tar -xzf - -C {AT}", 120, root=True, stdin=archive())
    try:
        said = board.run(
            f"cd {AT} && python3 -m pytest -p no:cacheprovider -q -rA --tb=short --rootdir . {BINDING.name} 2>&1; true",
            300,
            root=True,
        )
    finally:
        board.run(f"rm -rf {AT}", 30, root=True)
    passed = Counter(re.findall(r"^PASSED kernel_routes\.py::Test(\w+)::", said, re.MULTILINE))
    # The suite has one function for each test, one of them in four and one in two variants.
    functions = sum(name.startswith("test_") for name in vars(RouteConformance))
    assert passed == dict.fromkeys(("Chardev", "Gpiod", "Sysfs"), functions + 3 + 1), said[-6000:]
    assert "failed" not in said.splitlines()[-1]
