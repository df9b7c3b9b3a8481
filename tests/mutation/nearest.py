"""Which tests are nearest to a module: those that import it, the nearest kind of test first."""

from __future__ import annotations

import ast
import functools
from pathlib import Path

from tests.mutation.workplace import ROOT

MOST_FILES = 4
# Without kernels, chip simulators and browsers: they need packages and take minutes.
PLACES = ("unit", "conformance", "fuzzing", "integration")


def nearest_tests(file: str) -> list[str]:
    """Test files for a module.

    Args:
        file: such as "host/edgereply/wording/numbers.py".

    Returns:
        Files that import it themselves, those of its own folder first, then by how few other modules they import;
        where none does, all of its folder's tests.
    """
    module = ".".join(Path(file).with_suffix("").parts[1:]).removesuffix(".__init__")
    mirror = _mirror(file)
    importing = [(path, names) for path, names in _imports().items() if module in names]
    importing.sort(key=lambda pair: (not pair[0].startswith(mirror), "integration" in pair[0], len(pair[1])))
    found = [path for path, _ in importing][:MOST_FILES]
    beside = [path for path in _imports() if path.startswith(f"{mirror}/")]
    own = f"{mirror}/test_{Path(file).stem}.py"
    return (
        list(dict.fromkeys([*([own] if own in beside else []), *found])) or beside[:MOST_FILES] or ["tests/unit/host"]
    )


def _mirror(file: str) -> str:
    parts = Path(file).parent.parts
    return "/".join(["tests/unit", parts[0], *parts[2:]])


@functools.cache
def _imports() -> dict[str, frozenset[str]]:
    """Modules of ours that each test file imports, by its path."""
    found = {}
    for place in PLACES:
        for path in sorted((ROOT / "tests" / place).rglob("test_*.py")):
            names: set[str] = set()
            for node in ast.walk(ast.parse(path.read_text("utf-8"))):
                if isinstance(node, ast.ImportFrom) and node.module:
                    names |= {node.module, *(f"{node.module}.{item.name}" for item in node.names)}
                elif isinstance(node, ast.Import):
                    names |= {item.name for item in node.names}
                elif (
                    isinstance(node, ast.Constant)
                    and isinstance(node.value, str)
                    and node.value.startswith("edgereply")
                ):
                    names.add(node.value)  # patched by name
            found[path.relative_to(ROOT).as_posix()] = frozenset(names)
    return found
