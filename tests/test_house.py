"""Format, lint and types of the whole tree, as pyproject.toml sets them, and how long its modules are."""

import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
# What runs on a laptop: all of the host but the text that becomes the agent on a board. That another system never comes
# to some lines is no fault of theirs.
LAPTOP = ("--no-warn-unreachable", "--exclude", "/remote_boot", "host", "protocol")
CHECKS = {
    "format": ["ruff", "format", "--check", "."],
    "lint": ["ruff", "check", "."],
    "types": ["mypy"],
    "types on darwin": ["mypy", "--platform", "darwin", *LAPTOP],
    "types on win32": ["mypy", "--platform", "win32", *LAPTOP],
}
MOST_LINES = 400
TREES = ("agent", "examples", "host", "protocol")
SUFFIXES = ("py", "c", "h")
LONGER: dict[str, str] = {}


@pytest.mark.parametrize("check", CHECKS)
def test_house(check: str) -> None:
    command = [sys.executable, "-m", *CHECKS[check]]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=900)
    assert done.returncode == 0, f"{' '.join(command[1:])}\n{(done.stdout + done.stderr)[-6000:]}"


def lengths(root: Path) -> dict[str, int]:
    """Lines of every source module, by its path below `root`."""
    return {
        path.relative_to(root).as_posix(): len(path.read_text("utf-8").splitlines())
        for tree in TREES
        for suffix in SUFFIXES
        for path in sorted((root / tree).rglob(f"*.{suffix}"))
    }


def too_long(found: Mapping[str, int], longer: Mapping[str, str]) -> list[str]:
    """One sentence for each module that is too long, and for each exception that nothing needs any more."""
    problems = [
        f"{path} has {lines} lines, {MOST_LINES} at most: give its second idea a module of its own"
        for path, lines in found.items()
        if lines > MOST_LINES and path not in longer
    ]
    spare = [path for path in longer if found.get(path, 0) <= MOST_LINES]
    return problems + [f"{path} needs no exception any more: strike it from LONGER" for path in spare]


def test_no_module_is_too_long() -> None:
    found = lengths(ROOT)
    assert {path.partition("/")[0] for path in found} == set(TREES)
    assert {path.rpartition(".")[2] for path in found} == set(SUFFIXES)
    problems = too_long(found, LONGER)
    assert not problems, "\n" + "\n".join(problems)


@pytest.mark.parametrize(
    "name",
    ["agent/a/deep/x.py", "agent/a/x.c", "examples/x.py", "examples/a/src/x.h", "host/a/x.py", "protocol/a/x.py"],
)
def test_a_long_module_is_seen(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    path.parent.mkdir(parents=True)
    path.write_text("x\n" * MOST_LINES, "utf-8")
    assert too_long(lengths(tmp_path), {}) == []
    path.write_text("x\n" * (MOST_LINES + 1), "utf-8")
    (told,) = too_long(lengths(tmp_path), {})
    assert told.startswith(f"{name} has 401 lines")
    assert too_long(lengths(tmp_path), {name: "a reason"}) == []


@pytest.mark.parametrize("found", [{}, {"host/x.py": MOST_LINES}])
def test_an_exception_that_nothing_needs_is_seen(found: dict[str, int]) -> None:
    (told,) = too_long(found, {"host/x.py": "a reason"})
    assert "no exception" in told
