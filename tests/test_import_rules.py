"""Who may import whom. Read from the sources, so that lazy and type-checking imports count too."""

import ast
import re
import sys
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

import pytest

ROOT = Path(__file__).parents[1]
TREES = ("agent", "host", "protocol")
BOOT = PurePosixPath("host/edgereply/board/remote_boot.py")
OURS = ("edgereply", "edgereply_agent", "edgereply_protocol")
# Names of the standard library that Python 3.9, the oldest on a board, does not have.
TOO_NEW = {"tomllib", "annotationlib", "compression", "string.templatelib", "concurrent.interpreters"}
IMPORT_NAMES = {"pyserial": "serial", "pyvcd": "vcd"}  # distribution → import name, where they differ
# Import name → the only places in the host that may have it.
ONLY_IN = {
    "rich": ("host/edgereply/console.py", "host/edgereply/console/*"),
    "kaleido": ("host/edgereply/report/figures/pictures.py",),
    "plotly": ("host/edgereply/report/figures/*",),
    "pyarrow": (
        "host/edgereply/store.py",
        "host/edgereply/parts.py",
        "host/edgereply/export*.py",
        "host/edgereply/export*/*",
        "host/edgereply/imports/csv_reader.py",
    ),
    "vcd": ("host/edgereply/imports/vcd_header.py", "host/edgereply/export*.py", "host/edgereply/export*/*"),
    "serial": ("host/edgereply/sources/*",),
    "typer": ("host/edgereply/cli/*",),
}
ANALYSIS_MAY = {"numpy", "scipy"}


@dataclass(frozen=True)
class Import:
    """One imported module: where, what, and whether inside a function."""

    path: PurePosixPath
    line: int
    module: str
    lazy: bool

    @property
    def top(self) -> str:
        return self.module.partition(".")[0]

    def __str__(self) -> str:
        return f"{self.path}:{self.line} imports {self.module}"


def imports_of(path: PurePosixPath, source: str) -> Iterator[Import]:
    """Every import of a module; `path` is relative to the tree's root."""
    package = path.parts[1:-1]

    def walk(node: ast.AST, lazy: bool) -> Iterator[Import]:
        for child in ast.iter_child_nodes(node):
            inside = lazy or isinstance(child, (ast.FunctionDef, ast.AsyncFunctionDef, ast.Lambda))
            for module in _modules(child, package):
                yield Import(path, getattr(child, "lineno", 0), module, lazy)
            yield from walk(child, inside)

    return walk(ast.parse(source, str(path)), False)


def _modules(node: ast.AST, package: tuple[str, ...]) -> list[str]:
    if isinstance(node, ast.Import):
        return [alias.name for alias in node.names]
    if isinstance(node, ast.ImportFrom):
        base = list(package[: len(package) - node.level + 1]) if node.level else []
        stem = ".".join(base + ([node.module] if node.module else []))
        # `from edgereply import analysis` imports edgereply.analysis as much as edgereply.
        return [f"{stem}.{alias.name}" for alias in node.names] if stem in OURS else [stem]
    if isinstance(node, ast.Call) and node.args and isinstance(node.args[0], ast.Constant):
        name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        if name in ("import_module", "__import__") and isinstance(node.args[0].value, str):
            return [node.args[0].value]
    return []


def sources() -> dict[PurePosixPath, str]:
    return {
        PurePosixPath(path.relative_to(ROOT).as_posix()): path.read_text("utf-8")
        for tree in TREES
        for path in sorted((ROOT / tree).rglob("*.py"))
    }


def dependencies() -> set[str]:
    """Import names of the host's declared dependencies, those of its extra for pictures too."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    wanted = project["dependencies"] + project["optional-dependencies"]["pictures"]
    names = (re.split(r"[^\w-]", entry)[0] for entry in wanted)
    return {IMPORT_NAMES.get(name, name.replace("-", "_")) for name in names}


def violations(files: dict[PurePosixPath, str]) -> list[str]:
    """One sentence each import that crosses a line."""
    found = [item for path, source in files.items() for item in imports_of(path, source)]
    allowed = dependencies()
    problems = [f"{item}: {reason}" for item in found if (reason := _reason(item, allowed))]
    gpiod = sorted({str(item.path) for item in found if item.top == "gpiod"})
    if len(gpiod) > 1:
        problems.append(f"gpiod is imported in {len(gpiod)} modules, its route alone may: {', '.join(gpiod)}")
    return problems


def _reason(item: Import, allowed: set[str]) -> str:
    # The text that turns into the agent on a board lives with the host and runs by the agent's rules.
    tree = "agent" if item.path == BOOT else item.path.parts[0]
    if tree == "host":
        return _host_reason(item, allowed)
    if tree == "agent" and item.top == "gpiod":
        if "gpiod" not in item.path.stem or "routes" not in item.path.parts:
            return "only the route of that name may have gpiod"
        return "" if item.lazy else "gpiod must be imported inside a function, the board may not have it"
    if item.top in ("edgereply_protocol", f"edgereply_{tree}") or item.top == "__future__":
        return ""
    if item.top in sys.stdlib_module_names and not {item.top, item.module} & TOO_NEW:
        return ""
    return f"{tree} has the standard library of Python 3.9 and the protocol, nothing else"


def _host_reason(item: Import, allowed: set[str]) -> str:
    if item.top == "edgereply_agent":
        return "the host never imports the agent"
    standard = item.top in sys.stdlib_module_names
    if item.path.is_relative_to("host/edgereply/analysis"):
        ours = f"{item.module}.".startswith("edgereply.analysis.")
        return "" if standard or ours or item.top in ANALYSIS_MAY else "analysis has numpy, scipy and itself"
    if item.top in ONLY_IN and not any(_within(item.path, place) for place in ONLY_IN[item.top]):
        return f"only {' and '.join(ONLY_IN[item.top])} may have {item.top}"
    if standard or item.top in OURS or item.top in allowed:
        return ""
    return f"{item.top} is no dependency in pyproject.toml"


def _within(path: PurePosixPath, place: str) -> bool:
    return any(part.match(place) for part in (path, *path.parents))


def test_nothing_crosses_the_lines() -> None:
    files = sources()
    assert {path.parts[0] for path in files} == set(TREES)
    problems = violations(files)
    assert not problems, "\n" + "\n".join(problems)


@pytest.mark.parametrize(
    ("path", "source"),
    [
        ("protocol/edgereply_protocol/x.py", "import numpy"),
        ("protocol/edgereply_protocol/x.py", "from edgereply.units import ns"),
        ("protocol/edgereply_protocol/x.py", "def f():\n    import edgereply_agent"),
        ("protocol/edgereply_protocol/x.py", "import tomllib"),
        ("agent/edgereply_agent/x.py", "import edgereply"),
        ("agent/edgereply_agent/x.py", "import importlib\nimportlib.import_module('edgereply.units')"),
        ("agent/edgereply_agent/routes/x.py", "def f():\n    import gpiod"),
        ("agent/edgereply_agent/gpiod_facts.py", "def f():\n    import gpiod"),
        ("agent/edgereply_agent/routes/gpiod.py", "import gpiod"),
        (
            "agent/edgereply_agent/routes/gpiod.py",
            "try:\n    from gpiod.line import Edge\nfinally:\n    pass",
        ),
        ("host/edgereply/x.py", "from edgereply_agent.session import Session"),
        ("host/edgereply/x.py", "def f():\n    import edgereply_agent"),
        ("host/edgereply/cli/x.py", "from rich.table import Table"),
        ("host/edgereply/report/x.py", "import plotly.graph_objects as go"),
        ("host/edgereply/run.py", "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    import pyarrow"),
        ("host/edgereply/board/x.py", "import serial.tools.list_ports"),
        ("host/edgereply/run.py", "import typer"),
        ("host/edgereply/x.py", "import requests"),
        ("host/edgereply/analysis/x.py", "from edgereply.units import ns"),
        ("host/edgereply/analysis/x.py", "from edgereply import units"),
        ("host/edgereply/analysis/x.py", "from ..units import ns"),
        ("host/edgereply/analysis/deeper/x.py", "import pyarrow"),
        ("host/edgereply/analysis/x.py", "import edgereply.analysis_of_others"),
    ],
)
def test_a_crossing_is_seen(path: str, source: str) -> None:
    assert len(violations({PurePosixPath(path): source})) == 1


@pytest.mark.parametrize(
    ("path", "source"),
    [
        ("protocol/edgereply_protocol/x.py", "from __future__ import annotations\nimport struct\nfrom . import state"),
        ("agent/edgereply_agent/routes/gpiod.py", "def f():\n    import gpiod\nfrom ..session import Session"),
        ("agent/edgereply_agent/x.py", "from edgereply_protocol import Hello\nimport edgereply_agent.session"),
        ("host/edgereply/console.py", "from rich.table import Table"),
        ("host/edgereply/console/tables.py", "from rich.table import Table"),
        ("host/edgereply/cli/main.py", "import typer\nfrom edgereply.console import show"),
        ("host/edgereply/report/figures/canvas.py", "import plotly"),
        ("host/edgereply/store.py", "import pyarrow.parquet"),
        ("host/edgereply/export_csv.py", "import pyarrow.csv"),
        ("host/edgereply/export/csv.py", "import pyarrow.csv"),
        ("host/edgereply/sources/microcontroller.py", "import serial"),
        ("host/edgereply/analysis/x.py", "import math\nimport numpy.typing\nfrom scipy import stats\nfrom . import y"),
        ("host/edgereply/analysis/x.py", "from edgereply.analysis.y import z\nfrom edgereply import analysis"),
    ],
)
def test_what_is_allowed_passes(path: str, source: str) -> None:
    assert violations({PurePosixPath(path): source}) == []


def test_a_second_module_with_gpiod_is_seen() -> None:
    lazy = "def f():\n    import gpiod"
    paths = [PurePosixPath(f"agent/edgereply_agent/routes/{name}.py") for name in ("gpiod", "gpiod_more")]
    assert len(violations(dict.fromkeys(paths, lazy))) == 1
