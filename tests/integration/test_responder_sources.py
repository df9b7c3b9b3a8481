"""What can be said of examples/responders without a board: each is a program, says how it is used, and has its row."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from tests.tools import need

FOLDER = Path(__file__).parents[2] / "examples" / "responders"
SOURCES = sorted(path.name for path in FOLDER.glob("responder*"))
GO_BY_SUFFIX = {
    ".c": ("gcc", ["-fsyntax-only", "-Wall", "-Wextra", "-Werror"], ("gcc", "libc6-dev")),
    ".cpp": ("g++", ["-fsyntax-only", "-Wall", "-Wextra", "-Werror"], ("g++", "libc6-dev")),
    ".js": ("node", ["--check"], ("nodejs",)),
    ".sh": ("sh", ["-n"], ()),
    ".py": (sys.executable, ["-m", "ast"], ()),
}


def run(command: list[str]) -> subprocess.CompletedProcess[str]:
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=60, stdin=subprocess.DEVNULL)


@pytest.mark.parametrize("name", [name for name in SOURCES if Path(name).suffix in GO_BY_SUFFIX])
def test_it_is_a_program(name: str) -> None:
    """Those in Go, Lua, Java and C# are built by the tests on virtual boards, which bring their compilers."""
    program, options, packages = GO_BY_SUFFIX[Path(name).suffix]
    done = run([str(need(program, *packages)), *options, str(FOLDER / name)])
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize(("program", "name"), [("sh", "responder.sh"), ("node", "responder.js")])
def test_without_its_arguments_it_says_what_it_takes(program: str, name: str) -> None:
    done = run([str(need(program, "nodejs")), str(FOLDER / name), "/dev/gpiochip0"])
    assert done.returncode == 2
    assert "CHIP INPUT OUTPUT COUNT" in done.stderr
    assert "ready" not in done.stderr


def test_each_has_a_row_that_says_how_it_is_built_and_run() -> None:
    text = (FOLDER / "README.md").read_text(encoding="utf-8")
    assert [name for name in SOURCES if f"| `{name}` |" not in text] == []
