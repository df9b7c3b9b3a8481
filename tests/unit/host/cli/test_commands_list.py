"""The list of commands is whole, and showing it imports none of them."""

from __future__ import annotations

import importlib
import re
import subprocess
import sys
from pathlib import Path

import pytest

import edgereply.cli
from edgereply.cli.app import COMMANDS

NEEDED = (
    "import sys\nfrom edgereply.__main__ import main\nsys.argv = ['edgereply', *{words}]\nmain()\nprint(*sys.modules)"
)


def run(*words: str) -> tuple[str, set[str]]:
    """What the program writes, and the modules that were imported in the end."""
    command = [sys.executable, "-c", NEEDED.format(words=list(words))]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, check=True)
    *lines, modules = done.stdout.splitlines()
    return "\n".join(lines), set(modules.split())


def test_every_module_that_has_a_command_is_listed_under_the_name_it_says() -> None:
    folder = Path(edgereply.cli.__file__).parent
    having = {path.stem for path in folder.glob("*.py") if "\ndef command(" in path.read_text(encoding="utf-8")}
    assert having == {module for module, _ in COMMANDS.values()}
    for name, (module, _) in COMMANDS.items():
        found = importlib.import_module(f"edgereply.cli.{module}")
        assert (found.__doc__ or "").startswith(f"`edgereply {name}`: ")
        assert found.command.__doc__


def test_help_names_all_and_imports_none() -> None:
    said, modules = run("--help")
    for name, (module, words) in COMMANDS.items():
        assert f"  {name} " in said
        assert words in said
        assert f"edgereply.cli.{module}" not in modules
    assert not {"numpy", "pydantic", "rich"} & modules


def test_a_command_imports_no_other() -> None:
    said, modules = run("verdict", "--help")
    assert "Judge a deadline" in said
    others = {f"edgereply.cli.{module}" for module, _ in COMMANDS.values()} - {"edgereply.cli.verdict"}
    assert "edgereply.cli.verdict" in modules
    assert not others & modules


def test_a_misspelt_command_gets_a_hint() -> None:
    command = [sys.executable, "-m", "edgereply", "measur"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 2
    assert "Did you mean 'measure'?" in done.stderr


@pytest.mark.parametrize("name", COMMANDS)
def test_help_names_values_as_people_do_not_by_a_type_of_the_language(name: str) -> None:
    text, _ = run(name, "--help")
    options = text.partition("Options:")[2]
    assert options
    assert not re.search(r"--[\w-]+ <(?!parquet|pairs)", options), options
    if name == "measure":
        assert "--rate RATE" in options
        assert "--dwell TIME" in options
        assert re.search(r"--no-wiring +Do not", options)
    if name == "export":
        assert "parquet|csv|numpy|vcd" in options
