"""The list of commands is whole, and showing it imports none of them."""

from __future__ import annotations

import importlib
import os
import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import pytest
import typer

import edgereply.cli
from edgereply.cli.app import COMMANDS, app
from edgereply.config.settings import Board, Stimulus
from edgereply.errors import SettingError
from edgereply_protocol import ROUTES

NEEDED = (
    "import sys\nfrom edgereply.__main__ import main\nsys.argv = ['edgereply', *{words}]\nmain()\nprint(*sys.modules)"
)


def every_command() -> Iterator[tuple[str, str]]:
    """Commands and subcommands as they are typed, each with its module."""
    for name, (module, _) in COMMANDS.items():
        yield name, module
        package = importlib.import_module(f"edgereply.cli.{module}")
        for under, (its, _) in getattr(package, "SUBCOMMANDS", {}).items():
            yield f"{name} {under}", f"{module}.{its}"


NAMES = [name for name, _ in every_command()]


def run(*words: str) -> tuple[str, set[str]]:
    """What the program writes, and the modules that were imported in the end."""
    command = [sys.executable, "-c", NEEDED.format(words=list(words))]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, check=True)
    *lines, modules = done.stdout.splitlines()
    return "\n".join(lines), set(modules.split())


def test_every_module_that_has_a_command_is_listed_under_the_name_it_says() -> None:
    folder = Path(edgereply.cli.__file__).parent
    having = {
        ".".join(path.relative_to(folder).with_suffix("").parts)
        for path in folder.rglob("*.py")
        if "\ndef command(" in path.read_text(encoding="utf-8")
    }
    listed = dict(every_command())
    assert having == set(listed.values()) - {"source"}
    for name, module in listed.items():
        found = importlib.import_module(f"edgereply.cli.{module}")
        assert (found.__doc__ or "").startswith(f"`edgereply {name}`: ")
        assert getattr(found, "SUBCOMMANDS", None) or found.command.__doc__


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


@pytest.mark.parametrize("name", NAMES)
def test_help_names_values_as_people_do_not_by_a_type_of_the_language(name: str) -> None:
    text, _ = run(*name.split(), "--help")
    options = text.partition("Options:")[2]
    assert options
    assert not re.search(r"--[\w-]+ <(?!parquet|pairs|bench)", options), options
    if name == "measure":
        assert "--rate RATE" in options
        assert "--wait block|spin" in options
        assert "--dwell TIME" in options
        assert re.search(r"--no-wiring +Do not", options)
    if name == "export":
        assert "parquet|csv|numpy|vcd" in options


@pytest.mark.parametrize("name", NAMES)
def test_every_help_ends_with_examples_that_the_program_takes(name: str) -> None:
    module = importlib.import_module(f"edgereply.cli.{dict(every_command())[name]}")
    assert module.EXAMPLES
    lines = run(*name.split(), "-h")[0].partition("Example")[2].splitlines()
    assert [line.strip() for line in lines[1:] if line.strip()] == list(module.EXAMPLES)
    group: Any = typer.main.get_command(app)
    for example in module.EXAMPLES:
        program, command, *words = shlex.split(example)
        assert program == "edgereply"
        assert example.startswith(f"edgereply {name}")
        assert len(example) <= 74, "it would be broken on a terminal of 80 columns"
        context = group.make_context("edgereply", [], resilient_parsing=True)
        group.get_command(context, command).make_context(command, words)


def test_an_example_that_the_program_does_not_take_would_be_seen() -> None:
    group: Any = typer.main.get_command(app)
    context = group.make_context("edgereply", [], resilient_parsing=True)
    with pytest.raises(SettingError, match="no such option"):
        group.get_command(context, "measure").make_context("measure", ["--fifo", "3"])


def parameters(name: str) -> dict[str, Any]:
    """The options and arguments of a command, as they are declared."""
    group: Any = typer.main.get_command(app)
    context = group.make_context("edgereply", [], resilient_parsing=True)
    found = group
    for word in name.split():
        found = found.get_command(context, word)
    return {str(item.name): item for item in found.params}


@pytest.mark.parametrize("name", NAMES)
def test_every_value_is_named_where_its_option_stands(name: str) -> None:
    for option in parameters(name).values():
        if getattr(option, "is_flag", False):
            continue
        if option.metavar is None:  # an enumeration, whose values the parser lists by itself
            assert (name, option.name) in (("export", "to"), ("export", "what"), ("schema", "kind"))
            continue
        assert re.fullmatch(r"[A-Z-]+|[a-z\d]+([|,][a-z\d]+)+", option.metavar), f"{name}: {option.metavar}"


def names_of(annotation: Any) -> set[str]:
    """The values that a setting of a bench file takes."""
    return set(get_args(annotation))


@pytest.mark.parametrize(
    ("command", "option", "known"),
    [
        ("measure", "route", set(ROUTES)),
        ("measure", "wait", names_of(Board.model_fields["wait"].annotation)),
        ("measure", "responder", names_of(Board.model_fields["responder"].annotation)),
        ("measure", "collection", names_of(Board.model_fields["collection"].annotation)),
        ("measure", "pattern", names_of(Stimulus.model_fields["pattern"].annotation)),
        ("compare", "routes", set(ROUTES)),
        ("compare", "waits", names_of(Board.model_fields["wait"].annotation)),
    ],
)
def test_help_lists_what_a_bench_file_takes(command: str, option: str, known: set[str]) -> None:
    found = parameters(command)[option]
    assert known
    assert set(re.split(r"[|,]", found.metavar)) == known
    assert found.metavar.split(",")[0].split("|")[0] in run(command, "--help")[0]


def completed(words: str, place: int) -> list[str]:
    """What a shell is offered for the word at a place."""
    env = {**os.environ, "_EDGEREPLY_COMPLETE": "complete_bash", "COMP_WORDS": words, "COMP_CWORD": str(place)}
    program = "import sys; sys.argv = ['edgereply']; from edgereply.__main__ import main; main()"
    done = subprocess.run([sys.executable, "-c", program], env=env, capture_output=True, text=True, timeout=300)
    return done.stdout.split()


@pytest.mark.parametrize(
    ("words", "offered"),
    [
        ("edgereply meas", ["measure"]),
        ("edgereply measure --route ", list(ROUTES)),
        ("edgereply measure --wait s", ["spin"]),
        ("edgereply compare --routes chardev,g", ["chardev,gpiod"]),
        ("edgereply compare --waits block,", ["block,spin"]),
        ("edgereply export --to ", ["parquet", "csv", "numpy", "vcd", "dataset"]),
        ("edgereply verdict --det", ["--details"]),
    ],
)
def test_completion_knows_commands_options_and_choices(words: str, offered: list[str]) -> None:
    assert completed(words, len(words.split(" ")) - 1) == offered
