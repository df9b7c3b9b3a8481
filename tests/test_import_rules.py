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
    "rich": ("host/edgereply/report/terminal/*",),
    "matplotlib": ("host/edgereply/report/figures/pictures.py", "host/edgereply/report/figures/picture_pen.py"),
    "pyarrow": (
        "host/edgereply/storage/run_writer.py",
        "host/edgereply/storage/parquet_parts.py",
        "host/edgereply/storage/trace_parts.py",
        "host/edgereply/exchange/export/*",
        "host/edgereply/exchange/imports/csv_reader.py",
        "host/edgereply/exchange/imports/binary_files.py",
    ),
    "vcd": ("host/edgereply/exchange/imports/vcd_header.py", "host/edgereply/exchange/export/*"),
    "serial": ("host/edgereply/sources/*",),
    "pyvisa": ("host/edgereply/sources/ports/visa.py",),
    "typer": ("host/edgereply/cli/*",),
    "pytest": ("host/edgereply/api/pytest_plugin.py",),
}
# What the package never asks for: a module that a program of another kind loads, as pytest does its plugins.
BROUGHT_ALONG = {"pytest"}
# The host's folders from the top down: each imports from those below it and from itself, never from one above.
# `errors` and `version` lie under all of them; `__main__` starts the program and stands above, as the package does.
FOLDERS = (
    "cli",
    "api",
    "exchange",
    "measurement",
    "report",
    "sources",
    "comparison",
    "evaluation",
    "board",
    "storage",
    "config",
    "system",
    "wording",
    "analysis",
)
AT_THE_TOP = {"__init__", "__main__", "errors", "version"}
# Of the package itself a folder has these alone: its other names lead back up to `api`.
UNDER_ALL = {"errors", "version"}
MOST_MODULES = 25
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
        ours = stem.partition(".")[0] in OURS
        return [f"{stem}.{alias.name}" for alias in node.names] if ours else [stem]
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
    """Import names of the host's declared dependencies, and of the extra that one of its modules asks for."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    names = (
        re.split(r"[^\w-]", entry)[0] for entry in [*project["dependencies"], *project["optional-dependencies"]["visa"]]
    )
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
    if upwards := _upwards(item):
        return upwards
    if item.path.is_relative_to("host/edgereply/analysis"):
        ours = f"{item.module}.".startswith("edgereply.analysis.")
        return "" if standard or ours or item.top in ANALYSIS_MAY else "analysis has numpy, scipy and itself"
    if item.top in ONLY_IN and not any(_within(item.path, place) for place in ONLY_IN[item.top]):
        return f"only {' and '.join(ONLY_IN[item.top])} may have {item.top}"
    if standard or item.top in OURS or item.top in allowed | BROUGHT_ALONG:
        return ""
    return f"{item.top} is no dependency in pyproject.toml"


def _upwards(item: Import) -> str:
    """Why a folder of the host may not import this one; "" where it lies below."""
    own, *_ = item.path.relative_to("host/edgereply").parts
    _, _, rest = item.module.partition(".")
    other = rest.partition(".")[0]
    if item.top != "edgereply" or own not in FOLDERS:
        return ""
    if other not in FOLDERS:
        within = other in UNDER_ALL or (own == "analysis" and other not in AT_THE_TOP)
        return "" if within else f"the package itself stands above {own}; from its top a folder has {sorted(UNDER_ALL)}"
    if FOLDERS.index(other) >= FOLDERS.index(own):
        return ""
    return f"{own} lies below {other}; a folder imports only from those below it (FOLDERS)"


def _within(path: PurePosixPath, place: str) -> bool:
    return any(part.match(place) for part in (path, *path.parents))


def test_nothing_crosses_the_lines() -> None:
    files = sources()
    assert {path.parts[0] for path in files} == set(TREES)
    problems = violations(files)
    assert not problems, "\n" + "\n".join(problems)


def test_every_folder_of_the_host_has_its_floor() -> None:
    top = ROOT / "host/edgereply"
    folders = {path.name for path in top.iterdir() if path.is_dir() and path.name != "__pycache__"}
    assert folders == set(FOLDERS)
    assert {path.stem for path in top.glob("*.py")} == AT_THE_TOP


def test_no_folder_of_the_host_is_crowded() -> None:
    crowds = {
        str(folder.relative_to(ROOT)): count
        for folder in (ROOT / "host/edgereply").rglob("*")
        if folder.is_dir() and (count := len(list(folder.glob("*.py")))) > MOST_MODULES
    }
    assert crowds == {}


def test_no_folders_of_the_host_import_each_other_in_a_circle() -> None:
    """Folders within folders too: `a` and `a/b` count as two, whatever the order of the floors."""
    files = {path: source for path, source in sources().items() if path.parts[0] == "host"}
    folders = {".".join(path.parts[1:-1]) for path in files}
    edges: dict[str, set[str]] = {folder: set() for folder in folders}
    for path, source in files.items():
        for item in imports_of(path, source):
            if item.top != "edgereply":
                continue
            place = item.module
            while place not in folders:
                place = place.rpartition(".")[0]
            edges[".".join(path.parts[1:-1])].add(place)
    # The package itself holds the version and the errors, under everything, and the start, above everything.
    assert circles({folder: to - {folder, "edgereply"} for folder, to in edges.items() if folder != "edgereply"}) == []


def circles(edges: dict[str, set[str]]) -> list[list[str]]:
    """Folders that import each other, directly or by way of others (what a topological sort cannot take away)."""
    left = {folder: set(to) for folder, to in edges.items()}
    while free := [folder for folder, to in left.items() if not to & left.keys()]:
        for folder in free:
            del left[folder]
    return [sorted(left)] if left else []


def test_a_circle_is_seen() -> None:
    assert circles({"a": {"b"}, "b": {"c"}, "c": set()}) == []
    assert circles({"a": {"b"}, "b": {"c"}, "c": {"b"}}) == [["a", "b", "c"]]


@pytest.mark.parametrize(
    ("path", "source"),
    [
        ("protocol/edgereply_protocol/x.py", "import numpy"),
        ("protocol/edgereply_protocol/x.py", "from edgereply.wording.units import ns"),
        ("protocol/edgereply_protocol/x.py", "def f():\n    import edgereply_agent"),
        ("protocol/edgereply_protocol/x.py", "import tomllib"),
        ("agent/edgereply_agent/x.py", "import edgereply"),
        ("agent/edgereply_agent/x.py", "import importlib\nimportlib.import_module('edgereply.wording.units')"),
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
        ("host/edgereply/report/x.py", "import matplotlib.figure"),
        ("host/edgereply/report/figures/drawing.py", "import matplotlib"),
        (
            "host/edgereply/measurement/run.py",
            "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    import pyarrow",
        ),
        ("host/edgereply/board/x.py", "import serial.tools.list_ports"),
        ("host/edgereply/measurement/run.py", "import typer"),
        ("host/edgereply/x.py", "import requests"),
        ("host/edgereply/sources/generator.py", "def f():\n    import pyvisa"),
        ("host/edgereply/analysis/x.py", "from edgereply.wording.units import ns"),
        ("host/edgereply/analysis/x.py", "from edgereply import wording"),
        ("host/edgereply/analysis/x.py", "from ..wording.units import ns"),
        ("host/edgereply/analysis/deeper/x.py", "import pyarrow"),
        ("host/edgereply/analysis/x.py", "import edgereply.analysis_of_others"),
        ("host/edgereply/board/x.py", "from edgereply.report.material import load_material"),
        ("host/edgereply/evaluation/x.py", "def f():\n    from edgereply import report"),
        ("host/edgereply/config/x.py", "from ..storage import stamps"),
        ("host/edgereply/report/tables/x.py", "import edgereply.measurement.run"),
        ("host/edgereply/exchange/export/x.py", "from edgereply.api.runs import open_run"),
        ("host/edgereply/api/x.py", "from edgereply.cli.common import say"),
        ("host/edgereply/storage/x.py", "from edgereply import __version__"),
        ("host/edgereply/exchange/x.py", "def f():\n    from edgereply import open_run"),
        ("host/edgereply/api/runs.py", "import pytest"),
        ("host/edgereply/api/answers.py", "def f():\n    import pandas"),
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
        ("host/edgereply/report/terminal/x.py", "from rich.table import Table"),
        ("host/edgereply/report/terminal/tables.py", "from rich.table import Table"),
        ("host/edgereply/cli/main.py", "import typer\nfrom edgereply.report.terminal import show"),
        ("host/edgereply/report/figures/pictures.py", "import matplotlib as mpl"),
        ("host/edgereply/storage/run_writer.py", "import pyarrow.parquet"),
        ("host/edgereply/report/x.py", "from edgereply.storage.stamps import STIMULUS\nfrom . import figures"),
        ("host/edgereply/exchange/export/csv.py", "import pyarrow.csv"),
        ("host/edgereply/sources/microcontroller.py", "import serial"),
        ("host/edgereply/api/pytest_plugin.py", "import pytest\nfrom edgereply.api.runs import SavedRun"),
        ("host/edgereply/cli/x.py", "from edgereply.api.runs import open_run"),
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
